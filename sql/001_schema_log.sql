-- Grain   one row per schema file that was applied
-- Why     schema files run once, in order; the log row is written in the transaction that applies the file
CREATE TABLE schema_log (
    name VARCHAR NOT NULL,
    applied_at TIMESTAMPTZ NOT NULL
);
