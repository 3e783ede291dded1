-- Grain   one more column of the site-day
-- Why     a lost interval is bridged by its neighbours' mean: under broken clouds that leaves open what the day says here
ALTER TABLE site_day ADD COLUMN pv_uncertainty_pct DOUBLE;
INSERT INTO reader_due SELECT DISTINCT relation, period FROM reader_part
WHERE relation = 'site_day' AND superseded_at IS NULL;
