-- Grain   one row per Parquet file of reader/, in force or waiting to be removed
CREATE TABLE reader_part (
    relation VARCHAR NOT NULL, period VARCHAR NOT NULL, file VARCHAR NOT NULL, written_at TIMESTAMPTZ NOT NULL, superseded_at TIMESTAMPTZ
);
-- Grain   one row per relation and period (a UTC day, or a month) whose Parquet file is out of date
CREATE TABLE reader_due (relation VARCHAR NOT NULL, period VARCHAR NOT NULL);
