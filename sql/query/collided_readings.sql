-- Grain   one figure: readings of a site whose corrected instant another reading of the same device has too
-- Source  parameters $site, $first and $last (UTC dates, both included)
-- Why     where a correction begins or ends two stamps can fall on one instant, and only the corrected one is read
WITH shifted AS (
    SELECT
        r.device_id,
        r.ts_utc + to_milliseconds(CAST(CASE WHEN s.site_id IS NULL THEN 0 ELSE greatest(-93600, least(93600, round(
            s.shift_min * 60 + s.rate_s_per_day * (epoch(r.ts_utc) - epoch(s.from_utc)) / 86400))) END * 1000 AS BIGINT)) AS ts_utc
    FROM reading_raw AS r
    LEFT JOIN clock_shift_span AS s ON s.site_id = r.site_id AND r.ts_utc >= s.from_utc AND r.ts_utc < s.until_utc
    WHERE r.site_id = $site AND CAST(r.ts_utc AS DATE) BETWEEN $first AND $last
)
SELECT count(*) - count(DISTINCT (device_id, ts_utc)) FROM shifted;
