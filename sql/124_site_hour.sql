-- Grain   one row per site and UTC hour with readings
-- Source  the Parquet parts in force; made with the site-days, kept for ever; expectations by the night that judged it
-- Missing a channel is null where none of the hour's readings had it
CREATE VIEW site_hour AS
SELECT
    site_id, ts_utc, ts_local, coverage_pct, pv_w, load_w, grid_w, battery_w, soc_pct,
    pv1_w, pv2_w, pv3_w, pv4_w, grid_l1_w, grid_l2_w, grid_l3_w, voltage_l1_v, voltage_l2_v, voltage_l3_v,
    frequency_hz, irradiance_w_m2, module_temp_c, ambient_temp_c, inverter_temp_c, battery_temp_c,
    expected_w, clearness
FROM read_parquet($parts);
COMMENT ON VIEW site_hour IS 'one row per site and UTC hour with readings, kept for ever; null = not reported in this hour';
COMMENT ON COLUMN site_hour.site_id IS 'the site''s id in the register';
COMMENT ON COLUMN site_hour.ts_utc IS 'UTC: START of the hour, clock corrections applied';
COMMENT ON COLUMN site_hour.ts_local IS 'wall clock in the site''s timezone: the same instant as ts_utc';
COMMENT ON COLUMN site_hour.coverage_pct IS '% of the hour covered by readings';
COMMENT ON COLUMN site_hour.pv_w IS 'W: generation, mean of the hour';
COMMENT ON COLUMN site_hour.load_w IS 'W: consumption, mean of the hour';
COMMENT ON COLUMN site_hour.grid_w IS 'W: + import, - feed-in, mean of the hour; an hour with both shows their difference';
COMMENT ON COLUMN site_hour.battery_w IS 'W: + discharge, - charge, mean of the hour; an hour with both shows their difference';
COMMENT ON COLUMN site_hour.soc_pct IS '%: state of charge, 0-100, mean of the hour';
COMMENT ON COLUMN site_hour.pv1_w IS 'W: generation of input 1, mean of the hour';
COMMENT ON COLUMN site_hour.pv2_w IS 'W: generation of input 2, mean of the hour';
COMMENT ON COLUMN site_hour.pv3_w IS 'W: generation of input 3, mean of the hour';
COMMENT ON COLUMN site_hour.pv4_w IS 'W: generation of input 4, mean of the hour';
COMMENT ON COLUMN site_hour.grid_l1_w IS 'W: phase 1, + import, - feed-in, mean of the hour';
COMMENT ON COLUMN site_hour.grid_l2_w IS 'W: phase 2, + import, - feed-in, mean of the hour';
COMMENT ON COLUMN site_hour.grid_l3_w IS 'W: phase 3, + import, - feed-in, mean of the hour';
COMMENT ON COLUMN site_hour.voltage_l1_v IS 'V: phase 1 to neutral, mean of the hour';
COMMENT ON COLUMN site_hour.voltage_l2_v IS 'V: phase 2 to neutral, mean of the hour';
COMMENT ON COLUMN site_hour.voltage_l3_v IS 'V: phase 3 to neutral, mean of the hour';
COMMENT ON COLUMN site_hour.frequency_hz IS 'Hz: mean of the hour';
COMMENT ON COLUMN site_hour.irradiance_w_m2 IS 'W/m2: in the plane of the sensor, mean of the hour';
COMMENT ON COLUMN site_hour.module_temp_c IS 'degC: mean of the hour';
COMMENT ON COLUMN site_hour.ambient_temp_c IS 'degC: mean of the hour';
COMMENT ON COLUMN site_hour.inverter_temp_c IS 'degC: mean of the hour';
COMMENT ON COLUMN site_hour.battery_temp_c IS 'degC: mean of the hour';
COMMENT ON COLUMN site_hour.expected_w IS 'W that the roof could have generated while healthy, curtailed or not, mean of the hour''s daylight; null = dark, or no neighbours tell of the sky';
COMMENT ON COLUMN site_hour.clearness IS 'ratio of the irradiance under this sky to that under a clear one, the neighbours'' median; null = not known';
