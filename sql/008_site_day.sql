-- Grain   one row per site and local calendar day (23 to 25 hours)
CREATE TABLE site_day (
    site_id VARCHAR NOT NULL, day DATE NOT NULL, readings INTEGER NOT NULL, interval_s INTEGER,
    coverage_pct DOUBLE, pv_coverage_pct DOUBLE,
    pv_kwh DOUBLE, load_kwh DOUBLE, import_kwh DOUBLE, feed_in_kwh DOUBLE, charge_kwh DOUBLE, discharge_kwh DOUBLE,
    soc_min_pct DOUBLE, soc_max_pct DOUBLE, soc_floor_h DOUBLE,
    surplus_kwh DOUBLE, surplus_at_floor_kwh DOUBLE, pv_peak_w DOUBLE, held_back_h DOUBLE,
    specific_yield_kwh_per_kwp DOUBLE, expected_kwh DOUBLE, performance_pct DOUBLE
);
-- Grain   one row per site and local day whose readings changed since its site-day was summed up
CREATE TABLE dirty_day (site_id VARCHAR NOT NULL, day DATE NOT NULL);
