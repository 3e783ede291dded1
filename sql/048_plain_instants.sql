-- Grain   every part of the reader, once
-- Why     instants in the reader became plain timestamps in UTC: parts that were written with a zone are written anew
INSERT INTO reader_due SELECT DISTINCT relation, period FROM reader_part WHERE superseded_at IS NULL;
