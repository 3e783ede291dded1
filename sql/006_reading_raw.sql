-- Grain   one row per site, device and instant, as stamped (clock corrections are applied when read)
-- Why     no PRIMARY KEY: its index costs three times the load; the MERGE that writes keeps rows unique
CREATE TABLE reading_raw (
    site_id VARCHAR NOT NULL,
    device_id VARCHAR NOT NULL,  -- '' at sites without devices.csv rows
    ts_utc TIMESTAMPTZ NOT NULL,
    interval_s INTEGER NOT NULL,
    marks VARCHAR NOT NULL,      -- what the stamp marked: start, end, instant
    ts_export VARCHAR NOT NULL,
    export_id BIGINT NOT NULL,
    pv_w DOUBLE, load_w DOUBLE, grid_w DOUBLE, battery_w DOUBLE, soc_pct DOUBLE,
    pv1_w DOUBLE, pv2_w DOUBLE, pv3_w DOUBLE, pv4_w DOUBLE,
    grid_l1_w DOUBLE, grid_l2_w DOUBLE, grid_l3_w DOUBLE,
    voltage_l1_v DOUBLE, voltage_l2_v DOUBLE, voltage_l3_v DOUBLE, frequency_hz DOUBLE,
    irradiance_w_m2 DOUBLE, module_temp_c DOUBLE, ambient_temp_c DOUBLE, inverter_temp_c DOUBLE, battery_temp_c DOUBLE,
    pv_kwh_total DOUBLE, import_kwh_total DOUBLE, feed_in_kwh_total DOUBLE,
    charge_kwh_total DOUBLE, discharge_kwh_total DOUBLE, load_kwh_total DOUBLE,
    -- energy by the counters, from this row's start to its end (over a gap: the whole gap's energy, in one row)
    pv_counted_kwh DOUBLE, import_counted_kwh DOUBLE, feed_in_counted_kwh DOUBLE,
    charge_counted_kwh DOUBLE, discharge_counted_kwh DOUBLE, load_counted_kwh DOUBLE,
    counted_s INTEGER            -- seconds over which the counters were differenced
);
