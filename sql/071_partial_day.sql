-- Grain   one more column of the site-day
-- Why     where one device of several is silent, the day holds the energies of what arrived and says so
ALTER TABLE site_day ADD COLUMN is_partial BOOLEAN DEFAULT false;
INSERT INTO dirty_day SELECT site_id, day FROM site_day WHERE site_id IN (SELECT site_id FROM device);
INSERT INTO reader_due SELECT DISTINCT relation, period FROM reader_part
WHERE relation = 'site_day' AND superseded_at IS NULL;
