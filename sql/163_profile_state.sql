-- Grain   one row per profile of which exports were taken in
-- Source  the ledger's arrivals of its last 30 days, and the newest stamp
-- Why     each system exports in its own rhythm: by the hour, by night, on workdays; late is what is late for it
-- Missing usual_gap_h null = fewer than four arrivals, so no rhythm is known
CREATE TABLE profile_state AS
WITH arrival AS (
    SELECT DISTINCT profile, date_trunc('minute', taken_in_at) AS came_at FROM history.export_file
    WHERE taken_in_at > (SELECT max(taken_in_at) FROM history.export_file) - INTERVAL 30 DAY
),
gap AS (
    SELECT profile, epoch(came_at - lag(came_at) OVER (PARTITION BY profile ORDER BY came_at)) / 3600 AS gap_h FROM arrival
),
rhythm AS (  -- the second longest: one holiday or one repair is no rhythm
    SELECT profile, list_sort(list(gap_h) FILTER (gap_h IS NOT NULL), 'DESC') AS gaps_h FROM gap GROUP BY profile
)
SELECT
    f.profile, CAST(max(f.taken_in_at) AS TIMESTAMP) AS last_taken_in_at,
    CAST(any_value(n.newest_utc) AS TIMESTAMP) AS newest_utc,
    CAST(any_value(CASE WHEN len(r.gaps_h) >= 3 THEN r.gaps_h[2] END) AS DOUBLE) AS usual_gap_h
FROM history.export_file AS f
LEFT JOIN history.profile_newest AS n USING (profile) LEFT JOIN rhythm AS r USING (profile)
GROUP BY f.profile;
COMMENT ON TABLE profile_state IS 'one row per profile of which exports were taken in';
COMMENT ON COLUMN profile_state.profile IS 'name of the profile';
COMMENT ON COLUMN profile_state.last_taken_in_at IS 'UTC: when its last export was taken in';
COMMENT ON COLUMN profile_state.newest_utc IS 'UTC: the newest stamp of its readings; null = no row of it was stored';
COMMENT ON COLUMN profile_state.usual_gap_h IS 'h: the second longest time between two arrivals of its last 30 days; null = fewer than four arrivals';
