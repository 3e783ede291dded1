-- Grain   one row per exception for an installer
-- Source  the history's table of this name, as of the last run
CREATE TABLE revisit AS
SELECT
    exception_id, site_id, installer_id, kind, since, diagnosis, measured, expected,
    steps
FROM history.revisit;
COMMENT ON TABLE revisit IS 'one row per exception for an installer';
COMMENT ON COLUMN revisit.exception_id IS 'id of the exception';
COMMENT ON COLUMN revisit.site_id IS 'the site''s id in the register';
COMMENT ON COLUMN revisit.installer_id IS 'the installer''s id in the register; null = not known';
COMMENT ON COLUMN revisit.kind IS 'kind of finding';
COMMENT ON COLUMN revisit.since IS 'date: the day from which the fault is judged to have been there';
COMMENT ON COLUMN revisit.diagnosis IS 'text: what is wrong, in plain words';
COMMENT ON COLUMN revisit.measured IS 'text: what was measured';
COMMENT ON COLUMN revisit.expected IS 'text: what it should have been';
COMMENT ON COLUMN revisit.steps IS 'text: what to do, with cautions';
