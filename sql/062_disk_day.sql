-- Grain   one row per UTC day on which a cycle ran: what the workspace and its disk held then
CREATE TABLE disk_day (
    day DATE NOT NULL, workspace_bytes BIGINT NOT NULL, free_bytes BIGINT NOT NULL, total_bytes BIGINT NOT NULL
);
