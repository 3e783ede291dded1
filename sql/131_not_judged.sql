-- Grain   one row per site, local day and detector that could not judge
-- Source  the Parquet parts in force, named one by one: an open session goes on seeing what it had
CREATE VIEW not_judged AS
SELECT
    site_id, day, detector, reason, code, "values"
FROM read_parquet($parts);
COMMENT ON VIEW not_judged IS 'one row per site, local day and detector that could not judge';
COMMENT ON COLUMN not_judged.site_id IS 'the site''s id in the register';
COMMENT ON COLUMN not_judged.day IS 'date: local calendar day of the site, 23 to 25 h';
COMMENT ON COLUMN not_judged.detector IS 'name of the detector';
COMMENT ON COLUMN not_judged.reason IS 'text: the sentence';
COMMENT ON COLUMN not_judged.code IS 'name of the reason among the detector''s, the same whatever its figures; null = judged before there were codes';
COMMENT ON COLUMN not_judged."values" IS 'JSON: the figures and names in the sentence, units in the keys';
