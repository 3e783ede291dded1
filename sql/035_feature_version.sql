-- 035
-- Grain   one row per feature that has a table: which version of it made the rows
-- Why     a table feature_NAME is made from the feature's own schema; another version makes it anew
CREATE TABLE feature_version (name VARCHAR NOT NULL, version INTEGER NOT NULL);
-- What is remembered for longer than readings need be read again keeps its rows.
ALTER TABLE light_day RENAME TO feature_daylight;
ALTER TABLE site_model RENAME TO feature_site_model;
INSERT INTO feature_version VALUES ('daylight', 1), ('site_model', 1);
