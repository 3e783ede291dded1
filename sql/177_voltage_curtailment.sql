-- Grain   one row per site and judged day with readings of generation and of a voltage
-- Source  the Parquet parts in force; the neighbours' sky against what was made while the voltage was at its limit
CREATE VIEW voltage_curtailment AS
SELECT
    site_id, day, coverage_pct, high_h, due_kwh, made_kwh, sigma_kwh, curtailed_kwh, possible_kwh
FROM read_parquet($parts);
COMMENT ON VIEW voltage_curtailment IS 'one row per site and judged day with readings of generation and of a voltage: what high voltage cut from the generation, whether or not an exception is open';
COMMENT ON COLUMN voltage_curtailment.site_id IS 'the site''s id in the register';
COMMENT ON COLUMN voltage_curtailment.day IS 'date: local calendar day of the site, 23 to 25 h';
COMMENT ON COLUMN voltage_curtailment.coverage_pct IS '% of the day''s light covered by good readings of generation';
COMMENT ON COLUMN voltage_curtailment.high_h IS 'h of daylight with a phase at 1.085 of the nominal voltage or more, quarter hours beside them included';
COMMENT ON COLUMN voltage_curtailment.due_kwh IS 'kWh that these hours should have given by the neighbours'' sky, or a lone clear day''s, and the site''s own level; null = nobody can say: clouds without neighbours, a feed-in limit, doubtful readings';
COMMENT ON COLUMN voltage_curtailment.made_kwh IS 'kWh that they gave; null = nobody can say';
COMMENT ON COLUMN voltage_curtailment.sigma_kwh IS 'kWh: one standard deviation of due_kwh; null = nobody can say';
COMMENT ON COLUMN voltage_curtailment.curtailed_kwh IS 'kWh lost to high voltage: due_kwh - made_kwh where that is above three sigma_kwh, or above half of one once the month has shown that the inverter gives way (three such days, the sum of all, or a power that moved against the voltage), else 0; null = nobody can say';
COMMENT ON COLUMN voltage_curtailment.possible_kwh IS 'kWh that the roof could have made of the whole day, curtailed or not; null = no neighbours tell of the sky';
