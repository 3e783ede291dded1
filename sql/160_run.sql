-- Grain   one row per job run
-- Source  the history's table of this name, as of the last run
CREATE TABLE run AS
SELECT
    run_id, job, CAST(started_at AS TIMESTAMP) AS started_at, CAST(ended_at AS TIMESTAMP) AS ended_at, outcome, detail
FROM history.run;
COMMENT ON TABLE run IS 'one row per job run';
COMMENT ON COLUMN run.run_id IS 'number of the run';
COMMENT ON COLUMN run.job IS 'what was run';
COMMENT ON COLUMN run.started_at IS 'UTC';
COMMENT ON COLUMN run.ended_at IS 'UTC; null = still running or killed';
COMMENT ON COLUMN run.outcome IS 'running, done, needs a person, failed';
COMMENT ON COLUMN run.detail IS 'text';
