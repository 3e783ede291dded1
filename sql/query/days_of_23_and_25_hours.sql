-- Question  Which local days had 23 or 25 hours, and are they as complete as others?
-- Reading   A day of 23 h has fewer readings and still 100 % coverage; readings_expected = its length over the interval.
--           A shortfall of one hour on that day alone means that the export's hour was read for another one.
WITH zones AS (
    SELECT timezone FROM site GROUP BY timezone HAVING timezone IN (SELECT name FROM pg_timezone_names())
),
days AS (
    SELECT CAST(unnest(range(min(day), max(day) + INTERVAL 1 DAY, INTERVAL 1 DAY)) AS DATE) AS day FROM site_day
),
lengths AS (
    SELECT
        timezone, day,
        epoch(timezone(timezone, CAST(day + 1 AS TIMESTAMP)) - timezone(timezone, CAST(day AS TIMESTAMP))) / 3600 AS hours
    FROM zones, days
)
SELECT
    l.day, l.timezone, l.hours, d.site_id, d.readings,
    CAST(round(l.hours * 3600 / d.interval_s) AS INTEGER) AS readings_expected, d.coverage_pct
FROM lengths AS l
JOIN site AS s USING (timezone)
JOIN site_day AS d ON d.site_id = s.site_id AND d.day = l.day
WHERE l.hours <> 24
ORDER BY l.day, l.timezone, d.site_id
