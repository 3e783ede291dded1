-- Grain   one row per input row that was rejected, with the first fault found in it
CREATE TABLE rejected_row (
    export_id BIGINT NOT NULL, line BIGINT, column_name VARCHAR, value VARCHAR, reason VARCHAR NOT NULL, raw VARCHAR
);
-- Grain   one row per bad optional cell; its row was kept without it
CREATE TABLE rejected_cell (
    export_id BIGINT NOT NULL, line BIGINT, column_name VARCHAR, value VARCHAR, reason VARCHAR NOT NULL, raw VARCHAR
);
