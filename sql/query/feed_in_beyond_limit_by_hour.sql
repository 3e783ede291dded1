-- Question  At which hours do sites feed in more than they may?
-- Reading   kWh beyond feed_in_limit_kw by local hour, of the days up to the last one. Beyond the limit by day with sun is a
--           regulator that does not act; by night it is a grid sensor that is wired the wrong way round.
-- Param     days INTEGER = 28: days up to the last judged one
-- Param     buffer_w DOUBLE = 50: what is taken for the meter's own error
SELECT
    r.site_id, s.feed_in_limit_kw, hour(r.ts_local) AS hour,
    sum((-r.grid_w - 1000 * s.feed_in_limit_kw) * r.interval_s) / 3.6e6 AS beyond_kwh,
    max(-r.grid_w) AS highest_feed_in_w,
    count(DISTINCT CAST(r.ts_local AS DATE)) AS days
FROM reading AS r
JOIN site AS s USING (site_id)
WHERE r.ts_utc >= (SELECT max(day) FROM judged) + 1 - CAST($days AS INTEGER)
  AND s.feed_in_limit_kw IS NOT NULL
  AND -r.grid_w > 1000 * s.feed_in_limit_kw + CAST($buffer_w AS DOUBLE)
GROUP BY ALL
ORDER BY r.site_id, hour
