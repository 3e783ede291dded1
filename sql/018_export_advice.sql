-- Grain   one row per site that may not feed in: its short feed-in of the trailing days, and the buffer against it
-- Source  detectors/export_slips.buffer_advice, made anew after each judging
CREATE TABLE export_advice (
    site_id VARCHAR NOT NULL, days_count BIGINT NOT NULL, slips_count BIGINT NOT NULL, slips_per_day DOUBLE,
    median_slip_min DOUBLE, longest_slip_min DOUBLE, slipped_kwh DOUBLE, buffer_w DOUBLE,
    advised_buffer_w DOUBLE, prevented_pct DOUBLE, more_import_kwh_per_day DOUBLE
);
