-- Grain   one row per job run
-- Why     a schedule that was down makes up for what it missed from here
CREATE SEQUENCE run_number;
CREATE TABLE run (
    run_id BIGINT NOT NULL DEFAULT nextval('run_number'),
    job VARCHAR NOT NULL,
    started_at TIMESTAMPTZ NOT NULL,
    ended_at TIMESTAMPTZ,
    outcome VARCHAR NOT NULL,  -- running, done, needs a person, failed
    detail VARCHAR NOT NULL
);
