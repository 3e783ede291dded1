-- Grain   one row per site that may not feed in: its short feed-in of the trailing days, and the buffer against it
-- Source  the feature export_advice of the last judged day
CREATE TABLE export_advice AS
SELECT
    site_id, days_count, transients_count, transients_per_day, median_transient_min, longest_transient_min, transients_kwh, buffer_w,
    advised_buffer_w, prevented_pct, more_import_kwh_per_day
FROM history.feature_export_advice
WHERE day = (SELECT max(day) FROM history.judged)
ORDER BY site_id;
COMMENT ON TABLE export_advice IS 'one row per site that may not feed in: its short feed-in of the trailing days, and the buffer against it';
COMMENT ON COLUMN export_advice.site_id IS 'the site''s id in the register';
COMMENT ON COLUMN export_advice.days_count IS 'count of days seen under the limit and buffer of today''s register';
COMMENT ON COLUMN export_advice.transients_count IS 'count of short feed-ins, too short to be raised';
COMMENT ON COLUMN export_advice.transients_per_day IS 'count per day';
COMMENT ON COLUMN export_advice.median_transient_min IS 'min: median length of a feed-in transient; null = none was seen';
COMMENT ON COLUMN export_advice.longest_transient_min IS 'min: longest feed-in transient; null = none was seen';
COMMENT ON COLUMN export_advice.transients_kwh IS 'kWh fed in by feed-in transients';
COMMENT ON COLUMN export_advice.buffer_w IS 'W: the import that the inverter keeps up, by the register; null = not known';
COMMENT ON COLUMN export_advice.advised_buffer_w IS 'W: smallest buffer, 20 to 500, that keeps 95 % of the transients'' energy in; null = too little seen, or today''s is enough';
COMMENT ON COLUMN export_advice.prevented_pct IS '% of the transients'' energy that the advised buffer keeps in; null = no buffer is advised';
COMMENT ON COLUMN export_advice.more_import_kwh_per_day IS 'kWh a day more import with the advised buffer; null = no buffer is advised';
