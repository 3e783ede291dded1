-- Grain   one row per site and interval; a site of several inverters is their sum where all have reported
-- Missing null = not reported, or not good: the reason stands in reading_flag, the value in reading_raw
-- Source  the Parquet parts in force, named one by one: an open session goes on seeing what it had
CREATE VIEW reading AS
SELECT
    site_id, ts_utc, ts_local, interval_s, is_instant, pv_w, load_w, grid_w,
    battery_w, soc_pct, pv1_w, pv2_w, pv3_w, pv4_w, grid_l1_w, grid_l2_w,
    grid_l3_w, voltage_l1_v, voltage_l2_v, voltage_l3_v, frequency_hz, irradiance_w_m2, module_temp_c, ambient_temp_c,
    inverter_temp_c, battery_temp_c, pv_kwh_total, import_kwh_total, feed_in_kwh_total, charge_kwh_total, discharge_kwh_total, load_kwh_total,
    export_id, ts_export, clock_shift_min
FROM read_parquet($parts);
COMMENT ON VIEW reading IS 'one row per site and interval; a site of several inverters is their sum where all have reported; null = not reported';
COMMENT ON COLUMN reading.site_id IS 'the site''s id in the register';
COMMENT ON COLUMN reading.ts_utc IS 'UTC: START of the interval that the reading averages (an instant''s own time), clock corrections applied';
COMMENT ON COLUMN reading.ts_local IS 'wall clock in the site''s timezone: the same instant as ts_utc';
COMMENT ON COLUMN reading.interval_s IS 's: length of the interval';
COMMENT ON COLUMN reading.is_instant IS 'true = sampled at ts_utc, not averaged over the interval';
COMMENT ON COLUMN reading.pv_w IS 'W: generation, mean of the interval, never negative; where not reported, from the counter';
COMMENT ON COLUMN reading.load_w IS 'W: consumption, mean of the interval, never negative';
COMMENT ON COLUMN reading.grid_w IS 'W: + import, - feed-in, mean of the interval';
COMMENT ON COLUMN reading.battery_w IS 'W: + discharge, - charge, mean of the interval';
COMMENT ON COLUMN reading.soc_pct IS '%: state of charge, 0-100';
COMMENT ON COLUMN reading.pv1_w IS 'W: generation of input 1, mean of the interval';
COMMENT ON COLUMN reading.pv2_w IS 'W: generation of input 2, mean of the interval';
COMMENT ON COLUMN reading.pv3_w IS 'W: generation of input 3, mean of the interval';
COMMENT ON COLUMN reading.pv4_w IS 'W: generation of input 4, mean of the interval';
COMMENT ON COLUMN reading.grid_l1_w IS 'W: phase 1, + import, - feed-in, mean of the interval';
COMMENT ON COLUMN reading.grid_l2_w IS 'W: phase 2, + import, - feed-in, mean of the interval';
COMMENT ON COLUMN reading.grid_l3_w IS 'W: phase 3, + import, - feed-in, mean of the interval';
COMMENT ON COLUMN reading.voltage_l1_v IS 'V: phase 1 to neutral';
COMMENT ON COLUMN reading.voltage_l2_v IS 'V: phase 2 to neutral';
COMMENT ON COLUMN reading.voltage_l3_v IS 'V: phase 3 to neutral';
COMMENT ON COLUMN reading.frequency_hz IS 'Hz';
COMMENT ON COLUMN reading.irradiance_w_m2 IS 'W/m2: in the plane of the sensor';
COMMENT ON COLUMN reading.module_temp_c IS 'degC';
COMMENT ON COLUMN reading.ambient_temp_c IS 'degC';
COMMENT ON COLUMN reading.inverter_temp_c IS 'degC';
COMMENT ON COLUMN reading.battery_temp_c IS 'degC';
COMMENT ON COLUMN reading.pv_kwh_total IS 'kWh: counter of generation as exported';
COMMENT ON COLUMN reading.import_kwh_total IS 'kWh: counter of import as exported';
COMMENT ON COLUMN reading.feed_in_kwh_total IS 'kWh: counter of feed-in as exported';
COMMENT ON COLUMN reading.charge_kwh_total IS 'kWh: counter of battery charge as exported';
COMMENT ON COLUMN reading.discharge_kwh_total IS 'kWh: counter of battery discharge as exported';
COMMENT ON COLUMN reading.load_kwh_total IS 'kWh: counter of consumption as exported';
COMMENT ON COLUMN reading.export_id IS 'number of the export in export_file that gave the reading its latest values';
COMMENT ON COLUMN reading.ts_export IS 'text: the stamp exactly as the export wrote it';
COMMENT ON COLUMN reading.clock_shift_min IS 'min: correction added to the stamp, 0 = none';
