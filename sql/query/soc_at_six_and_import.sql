-- Question  Does a battery that is emptier at six in the morning mean more import that day?
-- Reading   Each day's mean state of charge of the hour against that day's import. correlation near -1: the charge of
--           the morning decides the import; import_kwh_per_10_pct is the slope, negative where charge saves import.
--           In zones of half hours the UTC hour that begins at half past six stands for it.
-- Param     hour INTEGER = 6: local hour of the state of charge
WITH mornings AS (
    SELECT site_id, CAST(ts_local AS DATE) AS day, avg(soc_pct) AS soc_pct
    FROM site_hour
    WHERE hour(ts_local) = CAST($hour AS INTEGER) AND soc_pct IS NOT NULL
    GROUP BY ALL
)
SELECT
    site_id,
    count(*) AS days,
    avg(m.soc_pct) AS mean_soc_pct,
    avg(d.import_kwh) AS mean_import_kwh,
    corr(d.import_kwh, m.soc_pct) AS correlation,
    10 * regr_slope(d.import_kwh, m.soc_pct) AS import_kwh_per_10_pct
FROM mornings AS m
JOIN site_day AS d USING (site_id, day)
JOIN site AS s USING (site_id)
WHERE s.battery_kwh > 0 AND d.import_kwh IS NOT NULL
GROUP BY site_id
ORDER BY mean_soc_pct, site_id
