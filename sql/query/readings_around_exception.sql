-- Question  What did the site report around the day on which an exception began?
-- Reading   Every reading of the days around first_day, so that the change can be seen in any plotting tool.
-- Param     exception VARCHAR =: its id; without it the costliest open one
-- Param     days INTEGER = 1: days before first_day and after it
WITH chosen AS (
    SELECT exception_id, site_id, kind, first_day
    FROM exception
    WHERE CASE WHEN CAST($exception AS VARCHAR) IS NULL THEN status <> 'closed'
        ELSE exception_id = CAST($exception AS VARCHAR) END
    ORDER BY cost DESC, exception_id
    LIMIT 1
)
SELECT
    c.exception_id, c.kind, c.first_day, r.site_id, r.ts_local, r.ts_utc,
    r.pv_w, r.load_w, r.grid_w, r.battery_w, r.soc_pct, r.ts_export
FROM chosen AS c
JOIN reading AS r ON r.site_id = c.site_id
    AND r.ts_local >= c.first_day - CAST($days AS INTEGER)
    AND r.ts_local < c.first_day + 1 + CAST($days AS INTEGER)
ORDER BY r.ts_utc
