-- Grain   one row per attempt to mail the digest of a day
-- Source  the history's table of this name, as of the last run
CREATE TABLE mail AS
SELECT
    day, CAST(attempted_at AS TIMESTAMP) AS attempted_at, outcome, recipients, detail, installer_id
FROM history.mail;
COMMENT ON TABLE mail IS 'one row per attempt to mail the digest of a day, to the desk or to an installer';
COMMENT ON COLUMN mail.day IS 'date: the day that the digest is about';
COMMENT ON COLUMN mail.attempted_at IS 'UTC';
COMMENT ON COLUMN mail.outcome IS 'sent, sent in part (some recipients were refused), unknown (the run was killed meanwhile) or failed';
COMMENT ON COLUMN mail.recipients IS 'addresses, separated by commas';
COMMENT ON COLUMN mail.detail IS 'text: the server''s answer where it did not take the mail';
COMMENT ON COLUMN mail.installer_id IS 'the installer whose own mail it was; empty = the desk''s';
