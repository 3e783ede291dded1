-- Question  How much of what goes into each battery comes out again, and is that getting less?
-- Reading   Energy out / energy in between equal states of charge; null = too little moved to tell. 85-95 % is common
--           for lithium batteries with their inverter (common practice, no source). The trend needs three months.
-- Param     from_month DATE =: first day of the first month; without it all of them
SELECT
    b.site_id, b.month, s.battery_kwh, b.full_cycles, b.round_trip_efficiency_pct,
    b.round_trip_efficiency_trend_pct_per_year, b.usable_capacity_kwh, b.usable_capacity_pct
FROM battery_month AS b
JOIN site AS s USING (site_id)
WHERE b.month >= coalesce(CAST($from_month AS DATE), DATE '1900-01-01')
ORDER BY b.round_trip_efficiency_pct NULLS LAST, b.site_id, b.month
