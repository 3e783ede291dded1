-- Question  In which streets does the supply voltage run high or low?
-- Reading   Percentiles of phase voltages over a week's readings, sites of one street together; the street is the address
--           without its number, else the place to a hundredth of a degree (1 km). EN 50160 wants 95 % of a week's
--           10-minute means within 10 % of nominal: readings of a longer interval hide peaks.
-- Param     last_day DATE =: the week's last local day; without it the last judged one
WITH phases AS (
    SELECT
        coalesce(
            nullif(trim(regexp_replace(s.address, '[0-9].*$', '')), ''),
            printf('%.2f, %.2f', s.latitude, s.longitude)
        ) AS street,
        r.site_id, s.nominal_voltage_v, unnest([r.voltage_l1_v, r.voltage_l2_v, r.voltage_l3_v]) AS voltage_v
    FROM reading AS r
    JOIN site AS s USING (site_id)
    WHERE r.ts_utc >= coalesce(CAST($last_day AS DATE), (SELECT max(day) FROM judged)) - 6
      AND r.ts_utc < coalesce(CAST($last_day AS DATE), (SELECT max(day) FROM judged)) + 1
)
SELECT
    street, count(DISTINCT site_id) AS sites, count(*) AS voltages,
    quantile_cont(voltage_v, 0.05) AS p5_v, median(voltage_v) AS median_v,
    quantile_cont(voltage_v, 0.95) AS p95_v, max(voltage_v) AS highest_v,
    100 * avg(CAST(abs(voltage_v / nominal_voltage_v - 1) > 0.1 AS INTEGER)) AS outside_pct
FROM phases
WHERE voltage_v IS NOT NULL
GROUP BY street
ORDER BY outside_pct DESC, p95_v DESC, street
