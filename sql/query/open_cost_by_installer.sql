-- Question  What do the open exceptions of each installer's sites cost?
-- Reading   Money and energy lost so far by exceptions that are not closed and that no other explains, per currency;
--           kwh_per_kwp makes large and small installers alike.
SELECT
    s.installer_id, e.currency, count(*) AS open_exceptions, count(DISTINCT e.site_id) AS sites,
    sum(e.loss_kwh) AS loss_kwh, sum(e.cost) AS cost, max(e.days_open) AS oldest_days,
    sum(e.loss_kwh) / any_value(fleet.kwp) AS kwh_per_kwp
FROM exception AS e
JOIN site AS s USING (site_id)
JOIN (SELECT installer_id, sum(installed_kwp) AS kwp FROM site GROUP BY installer_id) AS fleet
    ON fleet.installer_id IS NOT DISTINCT FROM s.installer_id
WHERE e.status <> 'closed' AND e.hidden_by IS NULL
GROUP BY s.installer_id, e.currency
ORDER BY cost DESC, s.installer_id
