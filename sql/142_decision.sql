-- Grain   one row per decision of a person about an exception
-- Source  the history's table of this name, as of the last run
CREATE TABLE decision AS
SELECT
    CAST(decided_at AS TIMESTAMP) AS decided_at, on_day, exception_id, action, until, note, decided_by, decided_for
FROM history.decision;
COMMENT ON TABLE decision IS 'one row per decision of a person about an exception';
COMMENT ON COLUMN decision.decided_at IS 'UTC';
COMMENT ON COLUMN decision.on_day IS 'date of the decision';
COMMENT ON COLUMN decision.exception_id IS 'id of the exception';
COMMENT ON COLUMN decision.action IS 'acknowledge, snooze, close or reopen';
COMMENT ON COLUMN decision.until IS 'date';
COMMENT ON COLUMN decision.note IS 'text of the last decision';
COMMENT ON COLUMN decision.decided_by IS 'text: who decided';
COMMENT ON COLUMN decision.decided_for IS 'text: the person who is to see to it; null = not said';
