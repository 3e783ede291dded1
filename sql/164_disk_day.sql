-- Grain   one row per UTC day on which a cycle ran
-- Source  the history's table of this name, as of the last run
CREATE TABLE disk_day AS SELECT day, workspace_bytes, free_bytes, total_bytes FROM history.disk_day;
COMMENT ON TABLE disk_day IS 'one row per UTC day on which a cycle ran';
COMMENT ON COLUMN disk_day.day IS 'date: the UTC day';
COMMENT ON COLUMN disk_day.workspace_bytes IS 'bytes of all files of the workspace';
COMMENT ON COLUMN disk_day.free_bytes IS 'bytes that were free on its disk';
COMMENT ON COLUMN disk_day.total_bytes IS 'bytes of its disk in all';
