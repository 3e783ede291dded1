-- Grain   one row per site with a battery and calendar month of its local days
-- Source  round-trip efficiency = energy out / energy in between equal states of charge (IEC 62933-2-1, definition from
--         memory). Where a span ends at another state of charge than it began, the difference is added to what came out
--         as the energy that this battery gives for it.
-- Missing only days that follow on each other, 95 % covered both, count towards the efficiency; it is null below two full
--         cycles or where the difference is worth more than a fifth of what was charged. The capacity needs falls of
--         100 % points in sum. A trend is a straight line through up to 12 months, null below three.
CREATE VIEW battery_month AS
WITH days_on AS (
    SELECT
        d.*, s.battery_kwh,
        CASE
            WHEN lead(day) OVER own = day + 1 AND coverage_pct >= 95 AND lead(coverage_pct) OVER own >= 95
            THEN lead(soc_first_pct) OVER own - soc_first_pct
        END AS soc_change_pct
    FROM site_day AS d
    JOIN site AS s USING (site_id)
    WHERE s.battery_kwh > 0
    WINDOW own AS (PARTITION BY site_id ORDER BY day)
),
sums AS (
    SELECT
        site_id,
        CAST(date_trunc('month', day) AS DATE) AS month,
        any_value(battery_kwh) AS battery_kwh,
        count(*) AS days,
        sum(charge_kwh) AS charge_kwh,
        sum(discharge_kwh) AS discharge_kwh,
        min(soc_min_pct) AS soc_min_pct,
        max(soc_max_pct) AS soc_max_pct,
        CASE WHEN sum(discharge_drop_pct) >= 100
            THEN 100 * sum(discharge_drop_kwh) / sum(discharge_drop_pct) END AS usable_capacity_kwh,
        sum(charge_kwh) FILTER (soc_change_pct IS NOT NULL) AS charged_kwh,
        sum(discharge_kwh) FILTER (soc_change_pct IS NOT NULL) AS given_kwh,
        sum(soc_change_pct) AS soc_change_pct
    FROM days_on
    GROUP BY site_id, date_trunc('month', day)
),
figures AS (
    SELECT
        *,
        usable_capacity_kwh * soc_change_pct / 100 AS left_kwh,
        CASE
            WHEN charged_kwh >= 2 * usable_capacity_kwh AND abs(left_kwh) <= 0.2 * charged_kwh
            THEN 100 * (given_kwh + left_kwh) / charged_kwh
        END AS round_trip_efficiency_pct,
        year(month) + (month(month) - 1) / 12 AS at_year
    FROM sums
)
SELECT
    site_id,
    month,
    days,
    usable_capacity_kwh,
    100 * usable_capacity_kwh / battery_kwh AS usable_capacity_pct,
    discharge_kwh / battery_kwh AS full_cycles,
    round_trip_efficiency_pct,
    charge_kwh,
    discharge_kwh,
    soc_min_pct,
    soc_max_pct,
    CASE WHEN count(usable_capacity_kwh) OVER recent >= 3
        THEN regr_slope(usable_capacity_kwh, at_year) OVER recent END AS usable_capacity_trend_kwh_per_year,
    CASE WHEN count(round_trip_efficiency_pct) OVER recent >= 3
        THEN regr_slope(round_trip_efficiency_pct, at_year) OVER recent END AS round_trip_efficiency_trend_pct_per_year,
    CASE WHEN count(discharge_kwh) OVER recent >= 3
        THEN regr_slope(discharge_kwh / battery_kwh, at_year) OVER recent END AS full_cycles_trend_per_year
FROM figures
WINDOW recent AS (PARTITION BY site_id ORDER BY month RANGE BETWEEN INTERVAL 11 MONTHS PRECEDING AND CURRENT ROW);
COMMENT ON VIEW battery_month IS 'one row per site with a battery and calendar month of its local days; null = not reported, or too little to tell';
COMMENT ON COLUMN battery_month.site_id IS 'the site''s id in the register';
COMMENT ON COLUMN battery_month.month IS 'date: first day of the month';
COMMENT ON COLUMN battery_month.days IS 'count of site-days in the month';
COMMENT ON COLUMN battery_month.usable_capacity_kwh IS 'kWh that discharge gives for 100 % of the state of charge, measured where battery_w is; null = too little discharge';
COMMENT ON COLUMN battery_month.usable_capacity_pct IS '%: usable_capacity_kwh / the register''s battery_kwh';
COMMENT ON COLUMN battery_month.full_cycles IS 'count: discharge_kwh / the register''s battery_kwh';
COMMENT ON COLUMN battery_month.round_trip_efficiency_pct IS '%: energy out / energy in between equal states of charge; null = too little to tell';
COMMENT ON COLUMN battery_month.charge_kwh IS 'kWh charged into the battery';
COMMENT ON COLUMN battery_month.discharge_kwh IS 'kWh discharged from the battery';
COMMENT ON COLUMN battery_month.soc_min_pct IS '%: lowest state of charge';
COMMENT ON COLUMN battery_month.soc_max_pct IS '%: highest state of charge';
COMMENT ON COLUMN battery_month.usable_capacity_trend_kwh_per_year IS 'kWh per year: straight line through the capacities of this and the 11 months before; null = fewer than three';
COMMENT ON COLUMN battery_month.round_trip_efficiency_trend_pct_per_year IS '% points per year: the same of the efficiency';
COMMENT ON COLUMN battery_month.full_cycles_trend_per_year IS 'cycles a month, per year: the same of the full cycles; follows the seasons';
