-- Grain   one row per export that was taken in: rows_read = rows_stored + rows_unchanged + rows_replaced + rows_rejected
-- Source  the Parquet parts in force, named one by one: an open session goes on seeing what it had
CREATE VIEW export_file AS
SELECT
    export_id, path, sha256, profile, taken_in_at, rows_read, rows_stored, rows_unchanged,
    rows_replaced, rows_rejected, rows_ignored, named_site, archived_as, notes, spring_hour, spring_hour_proof
FROM read_parquet($parts);
COMMENT ON VIEW export_file IS 'one row per export that was taken in: rows_read = rows_stored + rows_unchanged + rows_replaced + rows_rejected';
COMMENT ON COLUMN export_file.export_id IS 'number of the export, in the order of arrival';
COMMENT ON COLUMN export_file.path IS 'text: where the file lay below the inbox';
COMMENT ON COLUMN export_file.sha256 IS 'hex: SHA-256 of the bytes';
COMMENT ON COLUMN export_file.profile IS 'name of the profile of exports';
COMMENT ON COLUMN export_file.taken_in_at IS 'UTC';
COMMENT ON COLUMN export_file.rows_read IS 'count of rows read';
COMMENT ON COLUMN export_file.rows_stored IS 'count of rows new to the history';
COMMENT ON COLUMN export_file.rows_unchanged IS 'count of rows that the history held already';
COMMENT ON COLUMN export_file.rows_replaced IS 'count of rows that corrected the history';
COMMENT ON COLUMN export_file.rows_rejected IS 'count of rows rejected';
COMMENT ON COLUMN export_file.rows_ignored IS 'count of rows of quantities that the profile does not name';
COMMENT ON COLUMN export_file.named_site IS 'text: the site that name or folder gave; empty = the rows name it';
COMMENT ON COLUMN export_file.archived_as IS 'text: the file''s place below archive/';
COMMENT ON COLUMN export_file.notes IS 'text: what was noticed once for the whole file';
COMMENT ON COLUMN export_file.spring_hour IS 'how a file that holds the missing spring hour was read: filled (local time, that hour rejected) or standard time (all year); null = no choice was needed';
COMMENT ON COLUMN export_file.spring_hour_proof IS 'text: why it was read so: the sun, the profile, earlier files of the site or profile, or the default; null = no choice was needed';
