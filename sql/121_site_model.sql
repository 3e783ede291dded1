-- Grain   one row per site whose days told something of its roof or battery: the newest model, and what its days would show
-- Source  the features site_model, yield_odds, levels and shade, as of the last run
CREATE TABLE site_model AS
WITH model AS (
    SELECT * FROM history.feature_site_model
    QUALIFY row_number() OVER (PARTITION BY site_id ORDER BY day DESC) = 1
), odds AS (
    SELECT * FROM history.feature_yield_odds
    QUALIFY row_number() OVER (PARTITION BY site_id ORDER BY day DESC) = 1
), levels AS (
    SELECT * FROM history.feature_levels
    QUALIFY row_number() OVER (PARTITION BY site_id ORDER BY day DESC) = 1
), shade_month AS (
    SELECT
        site_id, arg_max(day, day) AS day, arg_max(shaded_h, day) AS shaded_h,
        sum(shade_kwh) AS month_kwh, 100 * sum(shade_kwh) / nullif(sum(shade_kwh + possible_kwh), 0) AS month_pct
    FROM history.feature_shade WHERE day > (SELECT max(day) - 30 FROM history.feature_shade) GROUP BY site_id
), shade AS (
    SELECT
        s.*, d.from_utc, d.until_utc, d.sun_from_deg, d.sun_until_deg, d.below_deg
    FROM shade_month AS s JOIN history.feature_shade AS d USING (site_id, day)
)
SELECT
    coalesce(m.site_id, o.site_id, l.site_id, h.site_id) AS site_id, coalesce(m.day, o.day, l.day, h.day) AS day, m.clear_days, m.tilt_deg, m.tilt_spread_deg,
    m.azimuth_deg, m.azimuth_spread_deg, m.capacity_kwp, m.capacity_spread_kwp, m.capacity_early_kwp, m.capacity_late_kwp,
    m.first_clear_day, m.last_clear_day, m.residual_pct, m.installed_kwp,
    exp(o.baseline) AS level_ratio, exp(o.baseline) * o.baseline_sigma AS level_spread_ratio,
    o.day AS tested_day, o.day_sigma * 100 AS day_spread_pct, o.shows_in_week_pct, o.days_to_show_30_pct,
    l.day AS levels_day, l.reserve_pct AS battery_stops_pct, l.reserve_sigma_pct AS battery_stops_sigma_pct,
    l.reserve_days AS battery_stops_days, l.resume_pct AS battery_resumes_pct, l.resume_sigma_pct AS battery_resumes_sigma_pct,
    l.import_w AS import_kept_up_w, l.import_sigma_w AS import_kept_up_sigma_w,
    l.capacity_kwh AS battery_capacity_kwh, l.capacity_sigma_kwh AS battery_capacity_sigma_kwh,
    l.ceiling_pct AS battery_ceiling_pct, l.ceiling_sigma_pct AS battery_ceiling_sigma_pct,
    h.day AS shade_day, h.shaded_h, h.from_utc AS shade_from_utc, h.until_utc AS shade_until_utc,
    h.sun_from_deg AS shade_sun_from_deg, h.sun_until_deg AS shade_sun_until_deg, h.below_deg AS shade_below_deg,
    h.month_kwh AS shade_month_kwh, h.month_pct AS shade_month_pct,
    m.registered_text AS registered_planes, least(m.log_ratio_morning, m.log_ratio_afternoon) AS planes_log_ratio
FROM model AS m
FULL JOIN odds AS o USING (site_id)
FULL JOIN levels AS l ON l.site_id = coalesce(m.site_id, o.site_id)
FULL JOIN shade AS h ON h.site_id = coalesce(m.site_id, o.site_id, l.site_id)
ORDER BY site_id;
COMMENT ON TABLE site_model IS 'one row per site: what its clear days tell of its roof, how sensitive its yield is to faults, and what its evenings tell of its battery; null = too little to tell';
COMMENT ON COLUMN site_model.site_id IS 'the site''s id in the register';
COMMENT ON COLUMN site_model.day IS 'date: as of which it was learned';
COMMENT ON COLUMN site_model.clear_days IS 'count of clear days that it was learned from; null = none yet';
COMMENT ON COLUMN site_model.tilt_deg IS 'degrees from horizontal, learned as one plane whatever the register says';
COMMENT ON COLUMN site_model.tilt_spread_deg IS 'degrees: one standard deviation of tilt_deg';
COMMENT ON COLUMN site_model.azimuth_deg IS 'degrees clockwise from north, learned as one plane whatever the register says';
COMMENT ON COLUMN site_model.azimuth_spread_deg IS 'degrees: one standard deviation of azimuth_deg';
COMMENT ON COLUMN site_model.capacity_kwp IS 'kWp that would make the clear days'' powers, by the registered planes where there are any, else by the learned one; the model''s own error of some 10 % is in it';
COMMENT ON COLUMN site_model.capacity_spread_kwp IS 'kWp: one standard deviation of capacity_kwp';
COMMENT ON COLUMN site_model.capacity_early_kwp IS 'kWp: capacity_kwp from the earlier half of the clear days';
COMMENT ON COLUMN site_model.capacity_late_kwp IS 'kWp: capacity_kwp from the later half of the clear days';
COMMENT ON COLUMN site_model.first_clear_day IS 'date: the first of the clear days; null = none yet';
COMMENT ON COLUMN site_model.last_clear_day IS 'date: the last of the clear days; null = none yet';
COMMENT ON COLUMN site_model.residual_pct IS '%: what the learned plane leaves unexplained, of the highest power';
COMMENT ON COLUMN site_model.installed_kwp IS 'kWp that the register gave when it was learned';
COMMENT ON COLUMN site_model.level_ratio IS 'ratio: level while healthy over what the neighbours and the registered capacity let expect';
COMMENT ON COLUMN site_model.level_spread_ratio IS 'ratio: one standard deviation of level_ratio';
COMMENT ON COLUMN site_model.tested_day IS 'date: the last day that the yield test has seen';
COMMENT ON COLUMN site_model.day_spread_pct IS '%: one standard deviation of a usual day''s level; null = no day of the last two weeks could be held against neighbours';
COMMENT ON COLUMN site_model.shows_in_week_pct IS '%: the smallest loss that would show within 7 days';
COMMENT ON COLUMN site_model.days_to_show_30_pct IS 'days until a loss of 30 % would show; null = not within a year, or not known';
COMMENT ON COLUMN site_model.levels_day IS 'date: as of which the battery''s levels were learned, from the 90 days before; sigmas are of one day''s value; null = not learned';
COMMENT ON COLUMN site_model.battery_stops_pct IS '%: state of charge at which discharge stops while the house imports; null = not seen on five days';
COMMENT ON COLUMN site_model.battery_stops_sigma_pct IS '%: one standard deviation of battery_stops_pct';
COMMENT ON COLUMN site_model.battery_stops_days IS 'count of days that showed it; null = not learned';
COMMENT ON COLUMN site_model.battery_resumes_pct IS '%: state of charge at which discharge resumes after a stop and a charge';
COMMENT ON COLUMN site_model.battery_resumes_sigma_pct IS '%: one standard deviation of battery_resumes_pct';
COMMENT ON COLUMN site_model.import_kept_up_w IS 'W: grid power that the control keeps up while the battery discharges below its highest power';
COMMENT ON COLUMN site_model.import_kept_up_sigma_w IS 'W: one standard deviation of import_kept_up_w';
COMMENT ON COLUMN site_model.battery_capacity_kwh IS 'kWh given back per 100 % of the state of charge';
COMMENT ON COLUMN site_model.battery_capacity_sigma_kwh IS 'kWh: one standard deviation of battery_capacity_kwh';
COMMENT ON COLUMN site_model.battery_ceiling_pct IS '%: state of charge at which charging ends although there is surplus';
COMMENT ON COLUMN site_model.battery_ceiling_sigma_pct IS '%: one standard deviation of battery_ceiling_pct';
COMMENT ON COLUMN site_model.shade_day IS 'date: the last day on which shade by hours of the day was asked for; null = planes not registered, no neighbours, or too few bright hours yet';
COMMENT ON COLUMN site_model.shaded_h IS 'h of that day in which an obstacle takes a sixth or more of the power under a bright sky, 0 = none; null = not known';
COMMENT ON COLUMN site_model.shade_from_utc IS 'UTC: begin on that day of the shade that costs most; null = no shade';
COMMENT ON COLUMN site_model.shade_until_utc IS 'UTC: its end; null = no shade';
COMMENT ON COLUMN site_model.shade_sun_from_deg IS 'degrees clockwise from north: where the sun stands at its begin; null = no shade';
COMMENT ON COLUMN site_model.shade_sun_until_deg IS 'degrees clockwise from north: where the sun stands at its end; null = no shade';
COMMENT ON COLUMN site_model.shade_below_deg IS 'degrees: the greatest height of the sun in that shade; null = no shade';
COMMENT ON COLUMN site_model.shade_month_kwh IS 'kWh that shade took in the last 30 days, of the days under a known sky; null = not known';
COMMENT ON COLUMN site_model.shade_month_pct IS '%: shade_month_kwh of what the roof could have made without shade; null = not known';
COMMENT ON COLUMN site_model.registered_planes IS 'text: kWp tilt/azimuth of each plane that the register gave when it was learned; null = not registered';
COMMENT ON COLUMN site_model.planes_log_ratio IS 'number: log likelihood of the learned plane over the registered ones, by mornings or afternoons, whichever is less; above 4 in models of weeks they exclude the register; null = not registered, or too few hours';
