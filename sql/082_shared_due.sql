-- Grain   one row per local day whose readings are to be compared among sites
-- Why     which site's readings are another's is known only once all that arrived of a day is summed up
CREATE TABLE shared_due (day DATE NOT NULL);
INSERT INTO shared_due SELECT DISTINCT day FROM site_day WHERE day >= (SELECT max(day) - 35 FROM site_day);
