-- Grain   one row per Parquet file that a view reads
-- Source  the history's table of this name, parts in force
-- Why     the folder also holds parts that were replaced, for sessions that still read them: never read it by a pattern
CREATE TABLE reader_part AS
SELECT relation, period, file
FROM history.reader_part
WHERE superseded_at IS NULL
ORDER BY relation, period, file;
COMMENT ON TABLE reader_part IS 'one row per Parquet file that a view reads, for programs that read the files without DuckDB';
COMMENT ON COLUMN reader_part.relation IS 'name of the relation';
COMMENT ON COLUMN reader_part.period IS 'UTC day or month of its rows';
COMMENT ON COLUMN reader_part.file IS 'text: path below the folder of the database';
