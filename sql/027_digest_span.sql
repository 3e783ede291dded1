-- Grain   one row per day of which a digest was made: the exports whose arrival it tells
-- Why     fixed when the digest is first made, so that one made again, or after a kill, counts the same exports; by the
--         ledger's numbers, since a clock can be set back
CREATE TABLE digest_span (
    day DATE NOT NULL,
    after_export_id BIGINT NOT NULL,  -- the last export that the digest before told
    until_export_id BIGINT NOT NULL,  -- the last that this one tells
    made_at TIMESTAMPTZ NOT NULL
);
-- What digests before this table told is told: the next one begins behind it.
INSERT INTO digest_span
SELECT j.day, 0, coalesce((SELECT max(export_id) FROM export_file WHERE taken_in_at < r.ended_at), 0), r.ended_at
FROM (SELECT max(day) AS day FROM judged) AS j,
     (SELECT max(ended_at) AS ended_at FROM run WHERE job IN ('cycle', 'digest') AND outcome IN ('done', 'needs a person')) AS r
WHERE j.day IS NOT NULL AND r.ended_at IS NOT NULL;
