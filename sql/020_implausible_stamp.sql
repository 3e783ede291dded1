-- Grain   one row per export, site and local day with rows that were rejected for their stamps
-- Why     such a stamp names no day that could be judged; the finding is raised on the day that the export speaks of
CREATE TABLE implausible_stamp (
    export_id BIGINT NOT NULL, site_id VARCHAR NOT NULL, day DATE NOT NULL,
    rows_count BIGINT NOT NULL, first_ts_export VARCHAR
);
