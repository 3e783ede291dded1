-- Question  What was each site's highest hour of import, month by month?
-- Reading   The highest mean import of an hour (a demand charge is most often of a quarter of an hour: then ask reading),
--           when it was, and how far it lies over the limit that is set.
-- Param     site VARCHAR =: one site's id; without it all of them
SELECT
    h.site_id, CAST(date_trunc('month', h.ts_local) AS DATE) AS month, max(h.grid_w) AS highest_import_w,
    arg_max(h.ts_local, h.grid_w) AS at_local, any_value(s.import_limit_kw) AS import_limit_kw,
    max(h.grid_w) - 1000 * any_value(s.import_limit_kw) AS over_limit_w
FROM site_hour AS h
JOIN site AS s USING (site_id)
WHERE h.grid_w > 0 AND h.site_id = coalesce(CAST($site AS VARCHAR), h.site_id)
GROUP BY ALL
ORDER BY h.site_id, month
