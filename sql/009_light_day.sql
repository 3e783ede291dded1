-- Grain   one row per site, device and local day: the kept marks of light, all that the clock detector reads
CREATE TABLE light_day (
    site_id VARCHAR,
    device_id VARCHAR,
    day DATE,
    zone_offset_min DOUBLE,
    interval_min DOUBLE,
    is_instant BOOLEAN,
    readings INTEGER,
    lit_readings INTEGER,
    first_light_min DOUBLE,
    last_light_min DOUBLE,
    first_end_min DOUBLE,
    last_start_min DOUBLE,
    energy_kwh DOUBLE,
    power_cos_w DOUBLE,
    power_sin_w DOUBLE,
    peak_w DOUBLE,
    threshold_w DOUBLE,
    night_w DOUBLE,
    noise_w DOUBLE,
    step_w DOUBLE
);
