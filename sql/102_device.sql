-- Grain   one row per inverter, at sites of several
-- Source  the history's table of this name, as of the last run
CREATE TABLE device AS
SELECT
    site_id, device_id, external_id, inverter_kw
FROM history.device;
COMMENT ON TABLE device IS 'one row per inverter, at sites of several';
COMMENT ON COLUMN device.site_id IS 'the site''s id in the register';
COMMENT ON COLUMN device.device_id IS 'the inverter''s id in devices.csv; empty at sites of one';
COMMENT ON COLUMN device.external_id IS 'what the exports call the inverter';
COMMENT ON COLUMN device.inverter_kw IS 'kW: AC rating; null = unknown';
