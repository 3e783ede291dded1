-- Grain   one row per site and calendar month of the site's local days
-- Source  self-consumption = (generation - feed-in) / generation, self-sufficiency = (consumption - import) / consumption: common
--         practice, no source. A month's change of the battery's charge is left out: it is small against the month.
-- Missing a ratio counts the days on which both of its energies are known; sums count what is known
CREATE VIEW site_month AS
WITH sums AS (
    SELECT
        site_id,
        CAST(date_trunc('month', day) AS DATE) AS month,
        count(*) AS days,
        count(*) FILTER (is_partial) AS partial_days,
        avg(coverage_pct) AS coverage_pct,
        sum(pv_kwh) AS pv_kwh,
        sum(load_kwh) AS load_kwh,
        sum(import_kwh) AS import_kwh,
        sum(feed_in_kwh) AS feed_in_kwh,
        sum(charge_kwh) AS charge_kwh,
        sum(discharge_kwh) AS discharge_kwh,
        sum(feed_in_kwh) FILTER (pv_kwh IS NOT NULL)
            / nullif(sum(pv_kwh) FILTER (feed_in_kwh IS NOT NULL), 0) AS fed_in_ratio,
        sum(import_kwh) FILTER (load_kwh IS NOT NULL)
            / nullif(sum(load_kwh) FILTER (import_kwh IS NOT NULL), 0) AS bought_ratio,
        sum(specific_yield_kwh_per_kwp) AS specific_yield_kwh_per_kwp,
        sum(expected_kwh) FILTER (judged_kwh IS NOT NULL) AS expected_kwh,
        sum(judged_kwh) FILTER (expected_kwh IS NOT NULL) AS judged_kwh
    FROM site_day
    GROUP BY site_id, date_trunc('month', day)
)
SELECT
    site_id, month, days, coverage_pct, pv_kwh, load_kwh, import_kwh, feed_in_kwh, charge_kwh, discharge_kwh,
    -- greatest() would take null for nothing
    CASE WHEN fed_in_ratio IS NOT NULL THEN 100 * greatest(1 - fed_in_ratio, 0) END AS self_consumption_pct,
    CASE WHEN bought_ratio IS NOT NULL THEN 100 * greatest(1 - bought_ratio, 0) END AS self_sufficiency_pct,
    specific_yield_kwh_per_kwp, 100 * judged_kwh / nullif(expected_kwh, 0) AS performance_pct, expected_kwh, judged_kwh, partial_days
FROM sums;
COMMENT ON VIEW site_month IS 'one row per site and calendar month of the site''s local days; null = not reported in that month';
COMMENT ON COLUMN site_month.site_id IS 'the site''s id in the register';
COMMENT ON COLUMN site_month.month IS 'date: first day of the month';
COMMENT ON COLUMN site_month.days IS 'count of site-days in the month';
COMMENT ON COLUMN site_month.coverage_pct IS '%: mean coverage of those days by readings';
COMMENT ON COLUMN site_month.pv_kwh IS 'kWh generated';
COMMENT ON COLUMN site_month.load_kwh IS 'kWh consumed';
COMMENT ON COLUMN site_month.import_kwh IS 'kWh imported';
COMMENT ON COLUMN site_month.feed_in_kwh IS 'kWh fed into the grid';
COMMENT ON COLUMN site_month.charge_kwh IS 'kWh charged into the battery';
COMMENT ON COLUMN site_month.discharge_kwh IS 'kWh discharged from the battery';
COMMENT ON COLUMN site_month.self_consumption_pct IS '%: (pv_kwh - feed_in_kwh) / pv_kwh, of days on which both are known, not below 0';
COMMENT ON COLUMN site_month.self_sufficiency_pct IS '%: (load_kwh - import_kwh) / load_kwh, of days on which both are known, not below 0';
COMMENT ON COLUMN site_month.specific_yield_kwh_per_kwp IS 'kWh per kWp: the month''s final yield (IEC 61724-1)';
COMMENT ON COLUMN site_month.performance_pct IS '%: judged_kwh / expected_kwh; null = none judged';
COMMENT ON COLUMN site_month.expected_kwh IS 'kWh that the roof should have generated on judged days, curtailed intervals left out';
COMMENT ON COLUMN site_month.judged_kwh IS 'kWh that it generated in the same intervals';
COMMENT ON COLUMN site_month.partial_days IS 'count of days on which some of the site''s devices were silent: their energies are of what arrived';
