-- Grain   finding_loss: one row per site, kind, day and the day of the finding that tells of it
-- Why     a fault loses energy on every day that it is there, also on days without a finding; a later finding knows
--         the days before it better, and the latest that tells of a day counts
ALTER TABLE site_day ADD COLUMN judged_kwh DOUBLE;  -- generated in the intervals that expected_kwh is of
UPDATE site_day SET judged_kwh = performance_pct * expected_kwh / 100;
CREATE TABLE finding_loss (
    site_id VARCHAR NOT NULL, kind VARCHAR NOT NULL, day DATE NOT NULL, told_on DATE NOT NULL,
    loss_kwh DOUBLE NOT NULL, cost DOUBLE NOT NULL, basis VARCHAR NOT NULL
);
INSERT INTO finding_loss
SELECT
    site_id, kind, day, day, loss_kwh, cost,
    CASE WHEN loss_kwh > 0 OR cost > 0 THEN 'measured' ELSE 'no energy at stake' END
FROM finding;
ALTER TABLE exception ADD COLUMN loss_basis VARCHAR DEFAULT 'measured';
ALTER TABLE exception ADD COLUMN loss_per_day_kwh DOUBLE DEFAULT 0;
ALTER TABLE exception ADD COLUMN cost_per_day DOUBLE DEFAULT 0;
ALTER TABLE exception ADD COLUMN at_stake_kwh DOUBLE DEFAULT 0;
ALTER TABLE mended_exception ADD COLUMN loss_basis VARCHAR DEFAULT 'measured';
ALTER TABLE mended_exception ADD COLUMN loss_per_day_kwh DOUBLE DEFAULT 0;
ALTER TABLE mended_exception ADD COLUMN cost_per_day DOUBLE DEFAULT 0;
ALTER TABLE mended_exception ADD COLUMN at_stake_kwh DOUBLE DEFAULT 0;
INSERT INTO reader_due SELECT DISTINCT relation, period FROM reader_part
WHERE relation = 'site_day' AND superseded_at IS NULL;
