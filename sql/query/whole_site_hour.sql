-- Grain   one row per site and UTC hour of a span in which no local midnight cuts an hour in two
-- Source  parameters $lo, $hi: instants; what was expected is added by the night that judged the day
-- Why     the span is said of both tables, or all years of the second are read;
--         hours are cut in zones of half hours alone, and the text of those that are takes twice as long to plan
SELECT
    h.site_id, h.ts_utc, h.ts_local, least(h.covered_s / 36, 100) AS coverage_pct,
    h.* EXCLUDE (site_id, day, ts_utc, ts_local, covered_s), e.expected_w, e.clearness
FROM feature_site_hour AS h
LEFT JOIN feature_expected_hour AS e ON e.site_id = h.site_id AND e.day = h.day AND e.ts_utc = h.ts_utc
    AND e.ts_utc >= $lo AND e.ts_utc < $hi
WHERE h.ts_utc >= $lo AND h.ts_utc < $hi
ORDER BY h.site_id, h.ts_utc
