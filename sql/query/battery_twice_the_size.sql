-- Question  What would a battery of twice the size have stored?
-- Reading   Of each day on which the battery was full: the smallest of what was fed in, of what was imported that day, and of
--           the further capacity, after the losses of a round trip. An upper bound by the day: import before sunrise
--           would need the day before. saved = that energy at the import price less its worth fed in.
-- Param     full_pct DOUBLE = 95: state of charge from which the battery was full
-- Param     efficiency_pct DOUBLE = 90: round trip of the further capacity
WITH days AS (
    SELECT
        d.site_id, s.battery_kwh, s.import_price, s.feed_in_price, s.currency,
        CASE WHEN d.soc_max_pct >= CAST($full_pct AS DOUBLE)
            THEN least(
                d.feed_in_kwh * CAST($efficiency_pct AS DOUBLE) / 100, d.import_kwh,
                s.battery_kwh * (100 - coalesce(s.battery_reserve_pct, 0)) / 100
            ) ELSE 0 END AS more_kwh
    FROM site_day AS d
    JOIN site AS s USING (site_id)
    WHERE s.battery_kwh > 0 AND d.feed_in_kwh IS NOT NULL AND d.import_kwh IS NOT NULL AND d.soc_max_pct IS NOT NULL
)
SELECT
    site_id, any_value(battery_kwh) AS battery_kwh, count(*) AS days, count(*) FILTER (more_kwh > 0) AS days_with_more,
    sum(more_kwh) AS more_kwh, sum(more_kwh) / count(*) * 365 AS more_kwh_per_year,
    sum(more_kwh) * any_value(import_price - feed_in_price / (CAST($efficiency_pct AS DOUBLE) / 100)) AS saved,
    any_value(currency) AS currency
FROM days
GROUP BY site_id
ORDER BY more_kwh_per_year DESC, site_id
