-- Question  Which watched sites have sent nothing lately?
-- Reading   Days from the site's last day with readings to the last judged day; null = it never sent any.
-- Param     at_least_days INTEGER = 1: fewer are left out
WITH lasts AS (SELECT site_id, max(day) AS last_day FROM site_day WHERE readings > 0 GROUP BY site_id)
SELECT
    s.site_id, s.name, s.installer_id, s.profile, l.last_day,
    (SELECT max(day) FROM judged) - l.last_day AS silent_days
FROM site AS s
LEFT JOIN lasts AS l USING (site_id)
WHERE s.watched
  AND coalesce((SELECT max(day) FROM judged) - l.last_day >= CAST($at_least_days AS INTEGER), true)
ORDER BY silent_days DESC NULLS FIRST, s.site_id
