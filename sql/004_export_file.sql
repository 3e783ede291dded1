-- Grain   one row per export (a file, or one member of a zip) that was taken in
-- Why     the ledger: every row that was read is accounted for, by a CHECK and not by hope
CREATE TABLE export_file (
    export_id BIGINT NOT NULL,
    path VARCHAR NOT NULL,         -- as it lay below the inbox; a zip's member after a slash
    sha256 VARCHAR NOT NULL,       -- of the file's bytes, of a member's bytes in a zip
    named_site VARCHAR NOT NULL,   -- what its name or folder calls the site; '' where the rows name it
    profile VARCHAR NOT NULL,
    taken_in_at TIMESTAMPTZ NOT NULL,
    rows_read BIGINT NOT NULL,
    rows_stored BIGINT NOT NULL,
    rows_unchanged BIGINT NOT NULL,
    rows_replaced BIGINT NOT NULL,
    rows_rejected BIGINT NOT NULL,
    rows_ignored BIGINT NOT NULL,  -- long form: rows of quantities that the profile does not name
    archived_as VARCHAR NOT NULL,  -- below archive/
    notes VARCHAR NOT NULL,
    CHECK (rows_read = rows_stored + rows_unchanged + rows_replaced + rows_rejected)
);
-- Grain   one row per export and name under which its bytes came again
CREATE TABLE export_copy (
    export_id BIGINT NOT NULL,
    path VARCHAR NOT NULL,
    seen_at TIMESTAMPTZ NOT NULL   -- the first time
);
