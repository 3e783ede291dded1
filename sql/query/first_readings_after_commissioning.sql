-- Question  How soon after commissioning did each site's readings arrive, and how complete was its first week?
-- Reading   Without a day of commissioning the first reading stands for it. first_exception is the first that was opened;
--           one within the first month is most often a setting, not a fault.
WITH firsts AS (
    SELECT d.site_id, min(d.day) FILTER (d.readings > 0 AND d.day >= coalesce(s.commissioned_on, d.day)) AS first_day
    FROM site_day AS d
    JOIN site AS s USING (site_id)
    GROUP BY d.site_id
)
SELECT
    s.site_id, s.installer_id, s.commissioned_on, f.first_day, f.first_day - s.commissioned_on AS days_waited,
    (SELECT avg(d.coverage_pct) FROM site_day AS d
        WHERE d.site_id = s.site_id AND d.day BETWEEN f.first_day AND f.first_day + 6) AS first_week_coverage_pct,
    (SELECT min(opened_on) FROM exception AS e WHERE e.site_id = s.site_id) AS first_exception
FROM site AS s
LEFT JOIN firsts AS f USING (site_id)
ORDER BY days_waited DESC NULLS LAST, s.site_id
