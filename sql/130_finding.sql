-- Grain   one row per site, local day and kind
-- Source  the Parquet parts in force, named one by one: an open session goes on seeing what it had
CREATE VIEW finding AS
SELECT
    site_id, day, kind, severity, value, unit, threshold, loss_kwh,
    evidence, summary, measured, expected, since, cost
FROM read_parquet($parts);
COMMENT ON VIEW finding IS 'one row per site, local day and kind';
COMMENT ON COLUMN finding.site_id IS 'the site''s id in the register';
COMMENT ON COLUMN finding.day IS 'date: local calendar day of the site, 23 to 25 h';
COMMENT ON COLUMN finding.kind IS 'kind of finding';
COMMENT ON COLUMN finding.severity IS 'urgent, soon or watch';
COMMENT ON COLUMN finding.value IS 'the figure that decides, in unit';
COMMENT ON COLUMN finding.unit IS 'unit of value and threshold';
COMMENT ON COLUMN finding.threshold IS 'the figure beyond which the kind is found, in unit';
COMMENT ON COLUMN finding.loss_kwh IS 'kWh lost on this day';
COMMENT ON COLUMN finding.evidence IS 'JSON: the figures behind the sentence, units in the keys; series: name, unit, role, at, values of each series in its picture';
COMMENT ON COLUMN finding.summary IS 'text: one sentence in the desk''s words';
COMMENT ON COLUMN finding.measured IS 'text: what was measured';
COMMENT ON COLUMN finding.expected IS 'text: what it should have been';
COMMENT ON COLUMN finding.since IS 'date: the day from which the fault is judged to have been there; null = this day alone';
COMMENT ON COLUMN finding.cost IS 'money lost on this day, in the site''s currency';
