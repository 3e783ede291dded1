-- Grain   one row per change of an exception
-- Source  the history's table of this name, as of the last run
CREATE TABLE exception_event AS
SELECT
    exception_id, event_no, "at", event, "by", note
FROM history.exception_event
ORDER BY exception_id, event_no;
COMMENT ON TABLE exception_event IS 'one row per change of an exception';
COMMENT ON COLUMN exception_event.exception_id IS 'id of the exception';
COMMENT ON COLUMN exception_event.event_no IS 'number of the change, from 1, in the order in which they came';
COMMENT ON COLUMN exception_event."at" IS 'date: the local day whose detection changed it, or after which a person decided; a word of SQL, write it as "at"';
COMMENT ON COLUMN exception_event.event IS 'opened, diagnosis changed, severity changed, decided, closed or reopened';
COMMENT ON COLUMN exception_event."by" IS 'text: detection, or who decided; a word of SQL, write it as "by"';
COMMENT ON COLUMN exception_event.note IS 'text: what changed into what, or the note of the decision';
