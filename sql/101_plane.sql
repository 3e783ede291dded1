-- Grain   one row per plane of modules, at sites of several
-- Source  the history's table of this name, as of the last run
CREATE TABLE plane AS
SELECT
    site_id, kwp, tilt_deg, azimuth_deg
FROM history.plane;
COMMENT ON TABLE plane IS 'one row per plane of modules, at sites of several';
COMMENT ON COLUMN plane.site_id IS 'the site''s id in the register';
COMMENT ON COLUMN plane.kwp IS 'kW at standard test conditions: the plane''s share';
COMMENT ON COLUMN plane.tilt_deg IS 'degrees from horizontal; null = unknown or several planes';
COMMENT ON COLUMN plane.azimuth_deg IS 'degrees clockwise from north; null = unknown or several planes';
