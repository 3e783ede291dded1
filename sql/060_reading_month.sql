-- Grain   one row per month of readings that lies in a Parquet file of readings/, and no longer in reading_raw
-- Why     `[keep] readings_days`: the history's file holds what is looked at each night, not every year; both count as readings
CREATE TABLE reading_month (
    month VARCHAR NOT NULL,      -- YYYY-MM of the stamps, in UTC
    file VARCHAR NOT NULL,       -- below readings/
    rows_held BIGINT NOT NULL
);
