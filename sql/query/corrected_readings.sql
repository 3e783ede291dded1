-- Grain   one row per site, device and instant between two instants of true time, as stored, with its clock correction
-- Source  parameters $lo, $hi (true time); $held: reading_raw, and the older months; $which: a join with the sites asked for
--         (or a span of each), or nothing for all; $whose: the same without spans, of sites whose rows a correction moves
-- Why     a correction of at most 26 hours is looked for around the span, so that the storage's order still prunes, and
--         of sites with corrections alone: of all others the span's own rows are read;
--         one that grows day by day is rounded to seconds, so that several devices' stamps stay alike
WITH shifted AS (
    SELECT r.*, CAST(0 AS DOUBLE) AS shift_s
    FROM $held AS r $which
    ANTI JOIN clock_shift_span AS s ON s.site_id = r.site_id
    WHERE r.ts_utc >= $lo AND r.ts_utc < $hi
    UNION ALL
    SELECT r.*, CASE WHEN s.site_id IS NULL THEN 0 ELSE greatest(-93600, least(93600, round(
        s.shift_min * 60 + s.rate_s_per_day * (epoch(r.ts_utc) - epoch(s.from_utc)) / 86400))) END AS shift_s
    FROM $held AS r $whose
    SEMI JOIN clock_shift_span AS c ON c.site_id = r.site_id
    LEFT JOIN clock_shift_span AS s ON s.site_id = r.site_id AND r.ts_utc >= s.from_utc AND r.ts_utc < s.until_utc
    WHERE r.ts_utc >= $lo - INTERVAL 2 DAY AND r.ts_utc < $hi + INTERVAL 2 DAY
)
SELECT r.* REPLACE (r.ts_utc + to_milliseconds(CAST(r.shift_s * 1000 AS BIGINT)) AS ts_utc), r.shift_s / 60 AS clock_shift_min
FROM shifted AS r
WHERE r.ts_utc + to_milliseconds(CAST(r.shift_s * 1000 AS BIGINT)) >= $lo
  AND r.ts_utc + to_milliseconds(CAST(r.shift_s * 1000 AS BIGINT)) < $hi
ORDER BY r.site_id, r.device_id, r.ts_utc + to_milliseconds(CAST(r.shift_s * 1000 AS BIGINT)), r.ts_utc
