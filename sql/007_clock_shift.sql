-- Grain   one row per correction of a site's clock that a person made; undone ones stay, with the time they were undone
CREATE SEQUENCE clock_shift_number;
CREATE TABLE clock_shift (
    shift_id BIGINT NOT NULL DEFAULT nextval('clock_shift_number'),
    site_id VARCHAR NOT NULL,
    shift_min DOUBLE NOT NULL,   -- added to the stamps
    from_day DATE NOT NULL,      -- local days as stamped, both included; to_day NULL = until further notice
    to_day DATE,
    made_at TIMESTAMPTZ NOT NULL,
    undone_at TIMESTAMPTZ,
    note VARCHAR NOT NULL
);
-- Grain   one row per site and segment of instants as stamped, never overlapping: the sum of the corrections in force
CREATE TABLE clock_shift_span (
    site_id VARCHAR NOT NULL, from_utc TIMESTAMPTZ NOT NULL, until_utc TIMESTAMPTZ NOT NULL, shift_min DOUBLE NOT NULL
);
