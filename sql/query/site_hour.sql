-- Grain   one row per site and UTC hour of a month
-- Source  parameters $lo, $hi: instants; the feature has a row for each local day that an hour lies in;
--         what was expected is added by the night that judged the day
-- Why     the span is said of both tables, or all years of the second are read;
--         in zones of half hours, midnight cuts an hour in two: its means are put together by the seconds they cover
WITH halves AS (
    SELECT h.*, e.expected_w, e.clearness, count(*) OVER (PARTITION BY h.site_id, h.ts_utc) > 1 AS is_cut
    FROM feature_site_hour AS h
    LEFT JOIN feature_expected_hour AS e ON e.site_id = h.site_id AND e.day = h.day AND e.ts_utc = h.ts_utc
        AND e.ts_utc >= $lo AND e.ts_utc < $hi
    WHERE h.ts_utc >= $lo AND h.ts_utc < $hi
)
SELECT
    site_id, ts_utc, ts_local, least(covered_s / 36, 100) AS coverage_pct,
    COLUMNS(* EXCLUDE (site_id, day, ts_utc, ts_local, covered_s, is_cut))
FROM halves
WHERE NOT is_cut
UNION ALL BY NAME
SELECT
    site_id, ts_utc, min(ts_local) AS ts_local, least(sum(covered_s) / 36, 100) AS coverage_pct,
    sum(pv_w * covered_s) / sum(covered_s) FILTER (pv_w IS NOT NULL) AS pv_w,
    sum(load_w * covered_s) / sum(covered_s) FILTER (load_w IS NOT NULL) AS load_w,
    sum(grid_w * covered_s) / sum(covered_s) FILTER (grid_w IS NOT NULL) AS grid_w,
    sum(battery_w * covered_s) / sum(covered_s) FILTER (battery_w IS NOT NULL) AS battery_w,
    sum(soc_pct * covered_s) / sum(covered_s) FILTER (soc_pct IS NOT NULL) AS soc_pct,
    sum(pv1_w * covered_s) / sum(covered_s) FILTER (pv1_w IS NOT NULL) AS pv1_w,
    sum(pv2_w * covered_s) / sum(covered_s) FILTER (pv2_w IS NOT NULL) AS pv2_w,
    sum(pv3_w * covered_s) / sum(covered_s) FILTER (pv3_w IS NOT NULL) AS pv3_w,
    sum(pv4_w * covered_s) / sum(covered_s) FILTER (pv4_w IS NOT NULL) AS pv4_w,
    sum(grid_l1_w * covered_s) / sum(covered_s) FILTER (grid_l1_w IS NOT NULL) AS grid_l1_w,
    sum(grid_l2_w * covered_s) / sum(covered_s) FILTER (grid_l2_w IS NOT NULL) AS grid_l2_w,
    sum(grid_l3_w * covered_s) / sum(covered_s) FILTER (grid_l3_w IS NOT NULL) AS grid_l3_w,
    sum(voltage_l1_v * covered_s) / sum(covered_s) FILTER (voltage_l1_v IS NOT NULL) AS voltage_l1_v,
    sum(voltage_l2_v * covered_s) / sum(covered_s) FILTER (voltage_l2_v IS NOT NULL) AS voltage_l2_v,
    sum(voltage_l3_v * covered_s) / sum(covered_s) FILTER (voltage_l3_v IS NOT NULL) AS voltage_l3_v,
    sum(frequency_hz * covered_s) / sum(covered_s) FILTER (frequency_hz IS NOT NULL) AS frequency_hz,
    sum(irradiance_w_m2 * covered_s) / sum(covered_s) FILTER (irradiance_w_m2 IS NOT NULL) AS irradiance_w_m2,
    sum(module_temp_c * covered_s) / sum(covered_s) FILTER (module_temp_c IS NOT NULL) AS module_temp_c,
    sum(ambient_temp_c * covered_s) / sum(covered_s) FILTER (ambient_temp_c IS NOT NULL) AS ambient_temp_c,
    sum(inverter_temp_c * covered_s) / sum(covered_s) FILTER (inverter_temp_c IS NOT NULL) AS inverter_temp_c,
    sum(battery_temp_c * covered_s) / sum(covered_s) FILTER (battery_temp_c IS NOT NULL) AS battery_temp_c,
    sum(expected_w * covered_s) / sum(covered_s) FILTER (expected_w IS NOT NULL) AS expected_w,
    sum(clearness * covered_s) / sum(covered_s) FILTER (clearness IS NOT NULL) AS clearness
FROM halves
WHERE is_cut
GROUP BY site_id, ts_utc
ORDER BY site_id, ts_utc
