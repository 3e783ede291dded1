-- Grain   one row per site, device and interval, as stamped and as reported
-- Source  the Parquet parts in force, named one by one: an open session goes on seeing what it had
-- Why     `reading` leaves out what is not good and corrects clocks; here nothing is changed
CREATE VIEW reading_raw AS
SELECT
    site_id, device_id, ts_utc, interval_s, marks, ts_export, export_id, pv_w,
    load_w, grid_w, battery_w, soc_pct, pv1_w, pv2_w, pv3_w, pv4_w,
    grid_l1_w, grid_l2_w, grid_l3_w, voltage_l1_v, voltage_l2_v, voltage_l3_v, frequency_hz, irradiance_w_m2,
    module_temp_c, ambient_temp_c, inverter_temp_c, battery_temp_c, pv_kwh_total, import_kwh_total, feed_in_kwh_total, charge_kwh_total,
    discharge_kwh_total, load_kwh_total
FROM read_parquet($parts, union_by_name = true);
COMMENT ON VIEW reading_raw IS 'one row per site, device and interval, as stamped and as reported; null = not reported';
COMMENT ON COLUMN reading_raw.site_id IS 'the site''s id in the register';
COMMENT ON COLUMN reading_raw.device_id IS 'the inverter''s id in devices.csv; empty = the site''s own';
COMMENT ON COLUMN reading_raw.ts_utc IS 'UTC, start of the interval as stamped: corrections of the site''s clock are not applied';
COMMENT ON COLUMN reading_raw.interval_s IS 's: length of the interval';
COMMENT ON COLUMN reading_raw.marks IS 'what the stamp marked: start or end of the interval, or an instant';
COMMENT ON COLUMN reading_raw.ts_export IS 'text: the stamp exactly as the export wrote it';
COMMENT ON COLUMN reading_raw.export_id IS 'number of the export in export_file that gave the reading its latest values';
COMMENT ON COLUMN reading_raw.pv_w IS 'W: generation, mean of the interval, as reported';
COMMENT ON COLUMN reading_raw.load_w IS 'W: consumption, mean of the interval, as reported';
COMMENT ON COLUMN reading_raw.grid_w IS 'W: + import, - feed-in, mean of the interval';
COMMENT ON COLUMN reading_raw.battery_w IS 'W: + discharge, - charge, mean of the interval';
COMMENT ON COLUMN reading_raw.soc_pct IS '%: state of charge, 0-100';
COMMENT ON COLUMN reading_raw.pv1_w IS 'W: generation of input 1, mean of the interval';
COMMENT ON COLUMN reading_raw.pv2_w IS 'W: generation of input 2, mean of the interval';
COMMENT ON COLUMN reading_raw.pv3_w IS 'W: generation of input 3, mean of the interval';
COMMENT ON COLUMN reading_raw.pv4_w IS 'W: generation of input 4, mean of the interval';
COMMENT ON COLUMN reading_raw.grid_l1_w IS 'W: phase 1, + import, - feed-in, mean of the interval';
COMMENT ON COLUMN reading_raw.grid_l2_w IS 'W: phase 2, + import, - feed-in, mean of the interval';
COMMENT ON COLUMN reading_raw.grid_l3_w IS 'W: phase 3, + import, - feed-in, mean of the interval';
COMMENT ON COLUMN reading_raw.voltage_l1_v IS 'V: phase 1 to neutral';
COMMENT ON COLUMN reading_raw.voltage_l2_v IS 'V: phase 2 to neutral';
COMMENT ON COLUMN reading_raw.voltage_l3_v IS 'V: phase 3 to neutral';
COMMENT ON COLUMN reading_raw.frequency_hz IS 'Hz';
COMMENT ON COLUMN reading_raw.irradiance_w_m2 IS 'W/m2: in the plane of the sensor';
COMMENT ON COLUMN reading_raw.module_temp_c IS 'degC';
COMMENT ON COLUMN reading_raw.ambient_temp_c IS 'degC';
COMMENT ON COLUMN reading_raw.inverter_temp_c IS 'degC';
COMMENT ON COLUMN reading_raw.battery_temp_c IS 'degC';
COMMENT ON COLUMN reading_raw.pv_kwh_total IS 'kWh: counter of generation as exported';
COMMENT ON COLUMN reading_raw.import_kwh_total IS 'kWh: counter of import as exported';
COMMENT ON COLUMN reading_raw.feed_in_kwh_total IS 'kWh: counter of feed-in as exported';
COMMENT ON COLUMN reading_raw.charge_kwh_total IS 'kWh: counter of battery charge as exported';
COMMENT ON COLUMN reading_raw.discharge_kwh_total IS 'kWh: counter of battery discharge as exported';
COMMENT ON COLUMN reading_raw.load_kwh_total IS 'kWh: counter of consumption as exported';
