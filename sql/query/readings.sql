-- Grain   one row per site, device and instant between two instants of true time, with the clock corrections in force
-- Source  parameters $lo, $hi (true time); $held: reading_raw, and the older months; $asked: a join with the sites asked for,
--         or nothing for all
-- Why     a correction of at most 26 hours is looked for around the span, so that the storage's order still prunes, and
--         of sites with corrections alone: of all others the span's own rows are read;
--         one that grows day by day is rounded to seconds, so that several devices' stamps stay alike
WITH shifted AS (
    SELECT r.*, CAST(0 AS DOUBLE) AS shift_s
    FROM $held AS r $asked
    ANTI JOIN clock_shift_span AS s ON s.site_id = r.site_id
    WHERE r.ts_utc >= $lo AND r.ts_utc < $hi
    UNION ALL
    SELECT r.*, CASE WHEN s.site_id IS NULL THEN 0 ELSE greatest(-93600, least(93600, round(
        s.shift_min * 60 + s.rate_s_per_day * (epoch(r.ts_utc) - epoch(s.from_utc)) / 86400))) END AS shift_s
    FROM $held AS r $asked
    SEMI JOIN clock_shift_span AS c ON c.site_id = r.site_id
    LEFT JOIN clock_shift_span AS s ON s.site_id = r.site_id AND r.ts_utc >= s.from_utc AND r.ts_utc < s.until_utc
    WHERE r.ts_utc >= $lo - INTERVAL 2 DAY AND r.ts_utc < $hi + INTERVAL 2 DAY
)
SELECT
    r.site_id, r.device_id, r.ts_utc + to_milliseconds(CAST(r.shift_s * 1000 AS BIGINT)) AS ts_utc,
    r.interval_s, r.marks = 'instant' AS is_instant,
    -- At night inverters draw a few watts and some exports show them as negative generation: that is no generation.
    -- More than 1 % of the peak capacity below zero is a fault (a wrong sign, say) and stays to be seen.
    CASE WHEN r.pv_w < 0 AND r.pv_w >= -10 * t.installed_kwp THEN 0 ELSE
        coalesce(r.pv_w, CASE WHEN r.counted_s <= 1.5 * r.interval_s THEN r.pv_counted_kwh * 3.6e6 / r.counted_s END) END AS pv_w,
    coalesce(r.load_w, CASE WHEN r.counted_s <= 1.5 * r.interval_s THEN r.load_counted_kwh * 3.6e6 / r.counted_s END) AS load_w,
    coalesce(r.grid_w, CASE WHEN r.counted_s <= 1.5 * r.interval_s
        THEN (coalesce(r.import_counted_kwh, 0) - coalesce(r.feed_in_counted_kwh, 0)) * 3.6e6 / r.counted_s
            + 0 * coalesce(r.import_counted_kwh, r.feed_in_counted_kwh) END) AS grid_w,
    coalesce(r.battery_w, CASE WHEN r.counted_s <= 1.5 * r.interval_s
        THEN (coalesce(r.discharge_counted_kwh, 0) - coalesce(r.charge_counted_kwh, 0)) * 3.6e6 / r.counted_s
            + 0 * coalesce(r.discharge_counted_kwh, r.charge_counted_kwh) END) AS battery_w,
    r.soc_pct, r.pv1_w, r.pv2_w, r.pv3_w, r.pv4_w, r.grid_l1_w, r.grid_l2_w, r.grid_l3_w,
    r.voltage_l1_v, r.voltage_l2_v, r.voltage_l3_v, r.frequency_hz, r.irradiance_w_m2,
    r.module_temp_c, r.ambient_temp_c, r.inverter_temp_c, r.battery_temp_c,
    r.pv_kwh_total, r.import_kwh_total, r.feed_in_kwh_total, r.charge_kwh_total, r.discharge_kwh_total, r.load_kwh_total,
    CASE WHEN r.pv_w IS NULL THEN r.pv_counted_kwh END AS pv_counted_kwh,
    CASE WHEN r.load_w IS NULL THEN r.load_counted_kwh END AS load_counted_kwh,
    CASE WHEN r.grid_w IS NULL THEN r.import_counted_kwh END AS import_counted_kwh,
    CASE WHEN r.grid_w IS NULL THEN r.feed_in_counted_kwh END AS feed_in_counted_kwh,
    CASE WHEN r.battery_w IS NULL THEN r.charge_counted_kwh END AS charge_counted_kwh,
    CASE WHEN r.battery_w IS NULL THEN r.discharge_counted_kwh END AS discharge_counted_kwh,
    CASE WHEN r.pv_w IS NOT NULL THEN r.pv_counted_kwh END AS pv_beside_kwh,
    CASE WHEN r.grid_w IS NOT NULL THEN r.import_counted_kwh END AS import_beside_kwh,
    CASE WHEN r.grid_w IS NOT NULL THEN r.feed_in_counted_kwh END AS feed_in_beside_kwh,
    CASE WHEN r.battery_w IS NOT NULL THEN r.charge_counted_kwh END AS charge_beside_kwh,
    CASE WHEN r.battery_w IS NOT NULL THEN r.discharge_counted_kwh END AS discharge_beside_kwh,
    CASE WHEN r.load_w IS NOT NULL THEN r.load_counted_kwh END AS load_beside_kwh,
    r.counted_s, r.export_id, r.ts_export, r.shift_s / 60 AS clock_shift_min
FROM shifted AS r
JOIN site AS t ON t.site_id = r.site_id
WHERE r.ts_utc + to_milliseconds(CAST(r.shift_s * 1000 AS BIGINT)) >= $lo
  AND r.ts_utc + to_milliseconds(CAST(r.shift_s * 1000 AS BIGINT)) < $hi
ORDER BY r.site_id, r.device_id, 3, r.ts_utc
