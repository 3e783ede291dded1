-- Grain   one row per name under which bytes came that had been taken in before
-- Source  the history's table of this name, as of the last run
CREATE TABLE export_copy AS
SELECT
    export_id, path, CAST(seen_at AS TIMESTAMP) AS seen_at
FROM history.export_copy;
COMMENT ON TABLE export_copy IS 'one row per name under which bytes came that had been taken in before';
COMMENT ON COLUMN export_copy.export_id IS 'number of the export in export_file';
COMMENT ON COLUMN export_copy.path IS 'text: where the file lay below the inbox';
COMMENT ON COLUMN export_copy.seen_at IS 'UTC: when they first came again under this name';
