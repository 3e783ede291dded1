-- Grain   one row per site, device and judged day with enough light to tell the clock's offset
-- Source  the Parquet parts in force; first and last light against sunrise and sunset, of the last five days with light
CREATE VIEW clock_day AS
SELECT
    site_id, device_id, day, offset_min, spread_min
FROM read_parquet($parts);
COMMENT ON VIEW clock_day IS 'one row per site, device and judged day with enough light to tell its clock: what the sun says, whether or not an exception is open';
COMMENT ON COLUMN clock_day.site_id IS 'the site''s id in the register';
COMMENT ON COLUMN clock_day.device_id IS 'the inverter''s id in devices.csv; empty at sites of one';
COMMENT ON COLUMN clock_day.day IS 'date: local calendar day of the site, 23 to 25 h';
COMMENT ON COLUMN clock_day.offset_min IS 'min: stamped - true, of the five days with light up to this one; walls, trees and curtailed afternoons move it too';
COMMENT ON COLUMN clock_day.spread_min IS 'min: one standard deviation of a single day''s offset, robust, over the same days';
