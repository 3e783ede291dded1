-- Grain   one row per site and day as of which its roof was learned, some once a week
-- Why     orientation and size come from clear days alone, and a fault must be held against the time before it
CREATE TABLE site_model (
    site_id VARCHAR NOT NULL, day DATE NOT NULL, clear_days INTEGER,
    tilt_deg DOUBLE, tilt_spread_deg DOUBLE, azimuth_deg DOUBLE, azimuth_spread_deg DOUBLE,
    capacity_kwp DOUBLE, capacity_spread_kwp DOUBLE, capacity_early_kwp DOUBLE, capacity_late_kwp DOUBLE,
    first_clear_day DATE, last_clear_day DATE, residual_pct DOUBLE, installed_kwp DOUBLE, reference_ratio DOUBLE,
    input1_share_pct DOUBLE, input2_share_pct DOUBLE, input3_share_pct DOUBLE, input4_share_pct DOUBLE
);
