-- Question  What was each site's highest hour of import, month by month?
-- Reading   The highest mean import of an hour (a demand charge is most often of a quarter of an hour: then ask reading),
--           when it was, and how far it lies over the limit that is set.
-- Param     site VARCHAR =: one site's id; without it all of them
WITH highest AS (
    SELECT
        site_id, date_trunc('month', ts_local) AS month, max(grid_w) AS import_w, arg_max(ts_local, grid_w) AS at_local
    FROM site_hour
    WHERE grid_w > 0 AND site_id = coalesce(CAST($site AS VARCHAR), site_id)
    GROUP BY ALL
)
SELECT
    h.site_id, CAST(h.month AS DATE) AS month, h.import_w AS highest_import_w, h.at_local, s.import_limit_kw,
    h.import_w - 1000 * s.import_limit_kw AS over_limit_w
FROM highest AS h
JOIN site AS s USING (site_id)
ORDER BY h.site_id, month
