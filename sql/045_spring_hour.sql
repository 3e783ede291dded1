-- Grain   two columns more per export, and one row per profile and site of which the sun told the meaning
-- Why     a file that holds the hour that its zone leaves out in spring is either local time with that hour filled in
--         or standard time all year; which it was taken for, and why, must be there to be seen
ALTER TABLE export_file ADD COLUMN spring_hour VARCHAR;        -- 'filled' or 'standard time'; NULL = no choice was needed
ALTER TABLE export_file ADD COLUMN spring_hour_proof VARCHAR;
CREATE TABLE known_spring_hour (profile VARCHAR NOT NULL, site_id VARCHAR NOT NULL, spring_hour VARCHAR NOT NULL);
