-- Grain   one row per installer
-- Source  the history's table of this name, as of the last run
CREATE TABLE installer AS
SELECT
    installer_id, name, email
FROM history.installer;
COMMENT ON TABLE installer IS 'one row per installer';
COMMENT ON COLUMN installer.installer_id IS 'the installer''s id in the register';
COMMENT ON COLUMN installer.name IS 'name of the firm or person';
COMMENT ON COLUMN installer.email IS 'mail address; null = not known';
