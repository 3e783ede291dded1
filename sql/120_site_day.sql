-- Grain   one row per watched site and local calendar day since commissioning, silent days too
-- Source  the Parquet parts in force, named one by one: an open session goes on seeing what it had
CREATE VIEW site_day AS
SELECT
    site_id, day, readings, coverage_pct, pv_kwh, load_kwh, import_kwh, feed_in_kwh,
    charge_kwh, discharge_kwh, soc_min_pct, soc_max_pct, specific_yield_kwh_per_kwp, expected_kwh, judged_kwh, performance_pct,
    interval_s, pv_coverage_pct, soc_first_pct, discharge_drop_pct, discharge_drop_kwh, reference_yield_h, performance_ratio, is_partial,
    pv_uncertainty_pct
FROM read_parquet($parts, union_by_name = true) AS d
SEMI JOIN site AS s ON s.site_id = d.site_id AND s.watched AND (s.commissioned_on IS NULL OR d.day >= s.commissioned_on);
COMMENT ON VIEW site_day IS 'one row per watched site and local calendar day since commissioning, silent days too; null = not reported on that day';
COMMENT ON COLUMN site_day.site_id IS 'the site''s id in the register';
COMMENT ON COLUMN site_day.day IS 'date: local calendar day of the site, 23 to 25 h';
COMMENT ON COLUMN site_day.readings IS 'count of readings of the day, 0 where the site was silent';
COMMENT ON COLUMN site_day.coverage_pct IS '% of the local day covered by readings whose powers are good';
COMMENT ON COLUMN site_day.pv_kwh IS 'kWh generated; short gaps are bridged (pv_uncertainty_pct), long ones by a counter where there is one; of a partial day (is_partial) what the devices made that reported';
COMMENT ON COLUMN site_day.load_kwh IS 'kWh consumed';
COMMENT ON COLUMN site_day.import_kwh IS 'kWh imported';
COMMENT ON COLUMN site_day.feed_in_kwh IS 'kWh fed into the grid';
COMMENT ON COLUMN site_day.charge_kwh IS 'kWh charged into the battery';
COMMENT ON COLUMN site_day.discharge_kwh IS 'kWh discharged from the battery';
COMMENT ON COLUMN site_day.soc_min_pct IS '%: lowest state of charge';
COMMENT ON COLUMN site_day.soc_max_pct IS '%: highest state of charge';
COMMENT ON COLUMN site_day.specific_yield_kwh_per_kwp IS 'kWh per kWp: pv_kwh / installed_kwp (final yield of IEC 61724-1); null = not known, or a partial day';
COMMENT ON COLUMN site_day.expected_kwh IS 'kWh that the roof should have generated while nothing curtailed it; null = not judged, or no roof around shows what the sky let through';
COMMENT ON COLUMN site_day.judged_kwh IS 'kWh that it generated in the same intervals as expected_kwh; null = as expected_kwh';
COMMENT ON COLUMN site_day.performance_pct IS '%: judged_kwh / expected_kwh; null = as expected_kwh';
COMMENT ON COLUMN site_day.interval_s IS 's: length of the interval; null = no readings on that day';
COMMENT ON COLUMN site_day.pv_coverage_pct IS '% of the day''s light (sine of the sun''s height) covered by good readings of generation';
COMMENT ON COLUMN site_day.soc_first_pct IS '%: the day''s first state of charge';
COMMENT ON COLUMN site_day.discharge_drop_pct IS '% points: fall of the state of charge in intervals amid a discharge, summed';
COMMENT ON COLUMN site_day.discharge_drop_kwh IS 'kWh discharged in the intervals of discharge_drop_pct';
COMMENT ON COLUMN site_day.reference_yield_h IS 'h: irradiation over 1 kW/m2 (reference yield of IEC 61724-1, if the sensor lies in the modules'' plane); null = no irradiance';
COMMENT ON COLUMN site_day.performance_ratio IS 'ratio: final yield over reference yield (IEC 61724-1), over the intervals with both; null = no irradiance';
COMMENT ON COLUMN site_day.is_partial IS 'true = one or more devices of the site were silent, and the energies are of what arrived';
COMMENT ON COLUMN site_day.pv_uncertainty_pct IS '% of pv_kwh: one sigma of what bridged intervals leave open, by how far readings differ from their neighbours'' mean; 0 = nothing bridged; null = nothing generated';
