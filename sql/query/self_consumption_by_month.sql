-- Question  How much of its generation does each site use itself, month by month?
-- Reading   self_consumption = (generation - feed-in) / generation, self-sufficiency = (consumption - import) / consumption; of days
--           on which both of their energies are known. Low self-consumption with high import asks for a battery.
-- Param     site VARCHAR =: one site's id; without it all of them
SELECT site_id, month, days, coverage_pct, pv_kwh, self_consumption_pct, load_kwh, self_sufficiency_pct
FROM site_month
WHERE site_id = coalesce(CAST($site AS VARCHAR), site_id)
ORDER BY site_id, month
