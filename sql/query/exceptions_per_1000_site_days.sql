-- Question  How often does each kind of exception come up, and how long does it stay open?
-- Reading   Exceptions opened per 1,000 judged site-days; median_days_open of those that were closed again. Those that
--           another exception explains are left out.
WITH days AS (SELECT count(*) AS judged FROM judged)
SELECT
    kind, count(*) AS opened, 1000 * count(*) / any_value(judged) AS per_1000_site_days,
    count(*) FILTER (status <> 'closed') AS still_open,
    median(days_open) FILTER (status = 'closed') AS median_days_open,
    max(days_open) AS longest_days_open
FROM exception, days
WHERE hidden_by IS NULL
GROUP BY kind
ORDER BY opened DESC, kind
