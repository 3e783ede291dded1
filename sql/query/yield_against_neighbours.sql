-- Question  On a day, where does each site's yield stand among its neighbours'?
-- Reading   Quartiles of kWh per kWp of the sites within the radius, itself left out; below_quartile marks a site under the
--           lower one. Roofs that face another way differ rightly: performance by month knows their planes.
-- Param     day DATE =: a local day; without it the last judged one
-- Param     radius_km DOUBLE = 25: how far a neighbour may be
-- Param     fewest INTEGER = 3: neighbours below which nothing is told
WITH yields AS (
    SELECT d.site_id, d.specific_yield_kwh_per_kwp AS yield, radians(s.latitude) AS lat, radians(s.longitude) AS lon
    FROM site_day AS d
    JOIN site AS s USING (site_id)
    WHERE d.day = coalesce(CAST($day AS DATE), (SELECT max(day) FROM judged))
      AND d.specific_yield_kwh_per_kwp IS NOT NULL AND d.coverage_pct >= 90
)
SELECT
    a.site_id, any_value(a.yield) AS specific_yield_kwh_per_kwp, count(*) AS neighbours,
    quantile_cont(b.yield, 0.25) AS lower_quartile, median(b.yield) AS median, quantile_cont(b.yield, 0.75) AS upper_quartile,
    any_value(a.yield) < quantile_cont(b.yield, 0.25) AS is_below_quartile
FROM yields AS a
JOIN yields AS b ON a.site_id <> b.site_id
    -- haversine on a sphere of 6371 km
    AND 12742 * asin(sqrt(
        sin((a.lat - b.lat) / 2) ** 2 + cos(a.lat) * cos(b.lat) * sin((a.lon - b.lon) / 2) ** 2
    )) <= CAST($radius_km AS DOUBLE)
GROUP BY a.site_id
HAVING count(*) >= CAST($fewest AS INTEGER)
ORDER BY specific_yield_kwh_per_kwp / nullif(median(b.yield), 0), a.site_id
