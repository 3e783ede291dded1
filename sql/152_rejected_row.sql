-- Grain   one row per input row that was rejected, with its first fault
-- Source  the Parquet parts in force, named one by one: an open session goes on seeing what it had
CREATE VIEW rejected_row AS
SELECT
    export_id, line, column_name, value, reason, raw
FROM read_parquet($parts);
COMMENT ON VIEW rejected_row IS 'one row per input row that was rejected, with its first fault';
COMMENT ON COLUMN rejected_row.export_id IS 'number of the export in export_file';
COMMENT ON COLUMN rejected_row.line IS 'number of the line in the file, from 1 (JSON: of the record)';
COMMENT ON COLUMN rejected_row.column_name IS 'text: the export''s column; null = the row as a whole';
COMMENT ON COLUMN rejected_row.value IS 'text: what stood in that column; null = the row as a whole';
COMMENT ON COLUMN rejected_row.reason IS 'text: why it was rejected';
COMMENT ON COLUMN rejected_row.raw IS 'text: the row as it stood';
