-- 036
-- Grain   none: takes out what features hold since 035; they are made again from the readings of their windows
ALTER TABLE site_day DROP COLUMN soc_floor_h;
ALTER TABLE site_day DROP COLUMN surplus_kwh;
ALTER TABLE site_day DROP COLUMN surplus_at_floor_kwh;
ALTER TABLE site_day DROP COLUMN pv_peak_w;
ALTER TABLE site_day DROP COLUMN held_back_h;
DROP TABLE export_advice;
DROP TABLE IF EXISTS kept_site_silent;
DROP TABLE IF EXISTS kept_readings_frozen;
DROP TABLE IF EXISTS kept_readings_implausible;
DROP TABLE IF EXISTS kept_meter_reversed;
DROP TABLE IF EXISTS kept_unexpected_export;
DROP TABLE IF EXISTS kept_voltage_out_of_band;
DROP TABLE IF EXISTS kept_battery_at_floor;
DROP TABLE IF EXISTS kept_battery_not_discharging;
DROP TABLE IF EXISTS kept_underperformance;
