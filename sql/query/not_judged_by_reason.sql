-- Question  What could not be judged, and for want of what?
-- Reading   Site-days by detector and reason, and their share of all judged site-days: silence of a detector is not health.
-- Param     from_day DATE =: first local day; without it all of them
SELECT
    n.detector, n.code, count(*) AS site_days, count(DISTINCT n.site_id) AS sites,
    100 * count(*) / any_value(j.judged) AS share_pct, min(n.reason) AS for_example
FROM not_judged AS n,
    (SELECT count(*) AS judged FROM judged WHERE day >= coalesce(CAST($from_day AS DATE), DATE '1900-01-01')) AS j
WHERE n.day >= coalesce(CAST($from_day AS DATE), DATE '1900-01-01')
GROUP BY n.detector, n.code
ORDER BY site_days DESC, n.detector, n.code
