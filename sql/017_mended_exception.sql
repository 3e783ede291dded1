-- Grain   one row per exception that a correction of the site's clock closed
-- Why     the days concerned are judged anew without the error, so the fold alone would not know that it ever was
CREATE TABLE mended_exception AS
SELECT CAST(NULL AS BIGINT) AS shift_id, CAST(NULL AS DATE) AS mended_on, e.* FROM exception AS e WHERE false;
