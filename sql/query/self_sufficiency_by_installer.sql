-- Question  How self-sufficient are the homes that each installer built?
-- Reading   self-sufficiency = (consumption - import) / consumption, of days on which both are known, all homes' energies summed:
--           a large home weighs more than a small one. Compare installers only where climate and batteries are alike.
-- Param     from_day DATE =: first local day; without it all of them
-- Param     to_day DATE =: last local day
SELECT
    s.installer_id,
    count(DISTINCT d.site_id) AS sites,
    count(DISTINCT d.site_id) FILTER (s.battery_kwh > 0) AS sites_with_battery,
    count(*) AS site_days,
    sum(d.load_kwh) AS load_kwh,
    sum(d.import_kwh) AS import_kwh,
    100 * greatest(1 - sum(d.import_kwh) / nullif(sum(d.load_kwh), 0), 0) AS self_sufficiency_pct
FROM site_day AS d
JOIN site AS s USING (site_id)
WHERE d.load_kwh IS NOT NULL AND d.import_kwh IS NOT NULL
  AND d.day >= coalesce(CAST($from_day AS DATE), DATE '1900-01-01')
  AND d.day <= coalesce(CAST($to_day AS DATE), DATE '2200-01-01')
GROUP BY s.installer_id
ORDER BY self_sufficiency_pct DESC NULLS LAST, s.installer_id
