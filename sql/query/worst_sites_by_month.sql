-- Question  Which sites lost the most money, month by month?
-- Reading   Of each site's day the costliest finding counts alone, since a second kind is often the first one's effect.
--           cost is in the site's own currency: sites are ranked within a currency. main_kind cost most of it.
-- Param     top INTEGER = 5: sites of each month and currency
-- Param     from_day DATE =: first local day; without it all of them
WITH worst AS (
    SELECT site_id, day, max(cost) AS cost, max(loss_kwh) AS loss_kwh, arg_max(kind, cost) AS kind
    FROM finding
    WHERE day >= coalesce(CAST($from_day AS DATE), DATE '1900-01-01')
    GROUP BY site_id, day
),
kinds AS (
    SELECT
        CAST(date_trunc('month', day) AS DATE) AS month, site_id, kind,
        count(*) AS days, sum(loss_kwh) AS loss_kwh, sum(cost) AS cost
    FROM worst
    GROUP BY ALL
),
months AS (
    SELECT
        month, site_id, sum(days) AS days, sum(loss_kwh) AS loss_kwh, sum(cost) AS cost, arg_max(kind, cost) AS main_kind
    FROM kinds
    GROUP BY month, site_id
)
SELECT month, s.currency, site_id, s.name, days, loss_kwh, cost, main_kind
FROM months
JOIN site AS s USING (site_id)
WHERE cost > 0
QUALIFY row_number() OVER (PARTITION BY month, s.currency ORDER BY cost DESC, site_id) <= CAST($top AS INTEGER)
ORDER BY month, s.currency, cost DESC, site_id
