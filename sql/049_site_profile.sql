-- Grain   one row per site of which readings were taken in
-- Why     a site that names no profile in the register has one all the same: the one that its exports used last
CREATE TABLE site_profile (site_id VARCHAR NOT NULL, profile VARCHAR NOT NULL);
INSERT INTO site_profile
SELECT r.site_id, arg_max(f.profile, f.export_id) FROM reading_raw AS r JOIN export_file AS f USING (export_id)
GROUP BY r.site_id;
