-- Grain   one row per profile of which readings were taken in: its newest stamp, none in the future
CREATE TABLE profile_newest (profile VARCHAR NOT NULL, newest_utc TIMESTAMPTZ NOT NULL);
INSERT INTO profile_newest
SELECT p.profile, max(r.ts_utc) FROM reading_raw AS r JOIN site_profile AS p USING (site_id)
WHERE r.ts_utc <= now() GROUP BY p.profile;
