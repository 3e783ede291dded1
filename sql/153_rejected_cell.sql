-- Grain   one row per bad optional cell; its row was kept without it
-- Source  the Parquet parts in force, named one by one: an open session goes on seeing what it had
CREATE VIEW rejected_cell AS
SELECT
    export_id, line, column_name, value, reason, raw
FROM read_parquet($parts);
COMMENT ON VIEW rejected_cell IS 'one row per bad optional cell; its row was kept without it';
COMMENT ON COLUMN rejected_cell.export_id IS 'number of the export in export_file';
COMMENT ON COLUMN rejected_cell.line IS 'number of the line in the file, from 1 (JSON: of the record)';
COMMENT ON COLUMN rejected_cell.column_name IS 'text: the export''s column';
COMMENT ON COLUMN rejected_cell.value IS 'text: what stood in that column';
COMMENT ON COLUMN rejected_cell.reason IS 'text: why it was rejected';
COMMENT ON COLUMN rejected_cell.raw IS 'text: the row as it stood';
