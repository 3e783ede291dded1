-- Question  How complete are the readings, by kind of export and week?
-- Reading   The mean coverage of the site-days in a profile's week; a profile that falls alone has a new export format or
--           a delivery that failed, one site that falls alone has a logger that fell silent.
-- Param     from_day DATE =: first local day; without it all of them
SELECT
    s.profile, CAST(date_trunc('week', d.day) AS DATE) AS week,
    count(DISTINCT d.site_id) AS sites, count(*) AS site_days, avg(coalesce(d.coverage_pct, 0)) AS coverage_pct,
    count(*) FILTER (coalesce(d.coverage_pct, 0) < 90) AS days_below_90_pct,
    arg_min(d.site_id, coalesce(d.coverage_pct, 0)) AS least_complete_site
FROM site_day AS d
JOIN site AS s USING (site_id)
WHERE d.day >= coalesce(CAST($from_day AS DATE), DATE '1900-01-01')
GROUP BY ALL
ORDER BY s.profile, week
