-- Question  What of its expected yield did each site make, month by month, and is that falling?
-- Reading   performance_pct = generated / expected over the same intervals; 100 = as neighbours and sky say it should.
--           trend is a straight line through the months up to this one, at most 12, null below three.
-- Param     site VARCHAR =: one site's id; without it all of them
SELECT
    site_id, month, days, performance_pct,
    CASE WHEN count(performance_pct) OVER recent >= 3
        THEN regr_slope(performance_pct, 12 * year(month) + month(month)) OVER recent END AS trend_pct_per_month
FROM site_month
WHERE site_id = coalesce(CAST($site AS VARCHAR), site_id)
WINDOW recent AS (PARTITION BY site_id ORDER BY month RANGE BETWEEN INTERVAL 11 MONTHS PRECEDING AND CURRENT ROW)
ORDER BY site_id, month
