-- Grain   one row per file that went from the inbox to the archive within the last day
-- Why     a writer that paused may go on writing into the file that was moved: what came after is taken in too
CREATE TABLE archived_file (
    archived_as VARCHAR NOT NULL,  -- below archive/
    folder VARCHAR NOT NULL,       -- below the inbox
    name VARCHAR NOT NULL,
    bytes BIGINT NOT NULL,
    changed_at DOUBLE NOT NULL,    -- seconds since 1970, the file system's time of change
    sha256 VARCHAR NOT NULL,       -- of the file's bytes as they were read
    archived_at TIMESTAMPTZ NOT NULL,
    is_checked BOOLEAN NOT NULL    -- hashed once after the run that moved it
);
