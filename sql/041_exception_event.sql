-- Grain   one row per change of an exception, as the fold over findings and decisions gives it after the last judged day
CREATE TABLE exception_event (
    exception_id VARCHAR NOT NULL, event_no INTEGER NOT NULL, "at" DATE NOT NULL,
    event VARCHAR NOT NULL, "by" VARCHAR NOT NULL, note VARCHAR NOT NULL
);
