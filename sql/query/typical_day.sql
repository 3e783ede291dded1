-- Question  What does a site's typical day look like, hour by hour?
-- Reading   Medians by local hour over the days up to the last one: for planning a battery, a tariff or a heat pump.
-- Param     site VARCHAR =: one site's id; without it all of them
-- Param     days INTEGER = 28: days up to the last one
-- Param     until DATE = (SELECT max(day) FROM judged): the last of these days; without it the last judged one
SELECT
    site_id, hour(ts_local) AS hour, count(*) AS days, median(pv_w) AS pv_w, median(load_w) AS load_w,
    median(grid_w) AS grid_w, median(battery_w) AS battery_w, median(soc_pct) AS soc_pct
FROM site_hour
WHERE site_id = coalesce(CAST($site AS VARCHAR), site_id)
  AND ts_utc >= CAST($until AS DATE) + 1 - CAST($days AS INTEGER)
  AND ts_local < CAST($until AS DATE) + 1
GROUP BY ALL
ORDER BY site_id, hour
