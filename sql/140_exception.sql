-- Grain   one row per exception
-- Source  the history's table of this name, as of the last run
CREATE TABLE exception AS
SELECT
    exception_id, site_id, kind, severity, status, opened_on, first_day, last_day,
    days_open, loss_kwh, cost, currency, summary, evidence, closed_on, reopened,
    snoozed_until, note, hidden_by, finding_days, clear_days, measured, expected, detector,
    value, unit, threshold, loss_basis, loss_per_day_kwh, cost_per_day, at_stake_kwh
FROM history.exception;
COMMENT ON TABLE exception IS 'one row per exception';
COMMENT ON COLUMN exception.exception_id IS 'id of the exception';
COMMENT ON COLUMN exception.site_id IS 'the site''s id in the register';
COMMENT ON COLUMN exception.kind IS 'kind of finding: the present diagnosis, which may change within its group';
COMMENT ON COLUMN exception.severity IS 'urgent, soon or watch';
COMMENT ON COLUMN exception.status IS 'open, acknowledged, snoozed or closed';
COMMENT ON COLUMN exception.opened_on IS 'date: the day whose detection raised it';
COMMENT ON COLUMN exception.first_day IS 'date: the day from which the fault is judged to have been there';
COMMENT ON COLUMN exception.last_day IS 'date: the last day with a finding';
COMMENT ON COLUMN exception.days_open IS 'days since it was opened, until closed';
COMMENT ON COLUMN exception.loss_kwh IS 'kWh lost on all days from first_day to last_day, as far as they are known (see loss_basis)';
COMMENT ON COLUMN exception.cost IS 'money lost on the same days, in the site''s currency';
COMMENT ON COLUMN exception.currency IS 'ISO 4217 code';
COMMENT ON COLUMN exception.summary IS 'text: one sentence in the desk''s words';
COMMENT ON COLUMN exception.evidence IS 'JSON: the figures behind the sentence, units in the keys; series: name, unit, role, at, values of each series in its picture';
COMMENT ON COLUMN exception.closed_on IS 'date; null = not closed';
COMMENT ON COLUMN exception.reopened IS 'count of times it came back after closing';
COMMENT ON COLUMN exception.snoozed_until IS 'date; null = not snoozed';
COMMENT ON COLUMN exception.note IS 'text of the last decision';
COMMENT ON COLUMN exception.hidden_by IS 'id of the exception that explains this one; null = none';
COMMENT ON COLUMN exception.finding_days IS 'count of days with a finding';
COMMENT ON COLUMN exception.clear_days IS 'count of judged clear days in a row';
COMMENT ON COLUMN exception.measured IS 'text: what was measured';
COMMENT ON COLUMN exception.expected IS 'text: what it should have been';
COMMENT ON COLUMN exception.detector IS 'name of the detector';
COMMENT ON COLUMN exception.value IS 'the figure that decides, in unit';
COMMENT ON COLUMN exception.unit IS 'unit of value and threshold';
COMMENT ON COLUMN exception.threshold IS 'the figure beyond which the kind is found, in unit';
COMMENT ON COLUMN exception.loss_basis IS 'text: measured; fed in beyond the limit; not measurable while silent; no energy at stake';
COMMENT ON COLUMN exception.loss_per_day_kwh IS 'kWh lost per day: mean of the last up to 7 judged days from first_day to last_day; times 30 = in a month, if left';
COMMENT ON COLUMN exception.cost_per_day IS 'money lost per day, in the site''s currency: mean of the same days';
COMMENT ON COLUMN exception.at_stake_kwh IS 'kWh fed in beyond the limit from first_day to last_day: no loss, but what the connection does not allow';
