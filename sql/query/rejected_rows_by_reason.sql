-- Question  Which rows of the exports could not be read, and why?
-- Reading   Rows by profile, column and reason; share_pct of all rows read of that profile. A reason that is new in many
--           files at once is an export whose format changed.
SELECT
    f.profile, r.column_name, r.reason, count(*) AS rows, count(DISTINCT r.export_id) AS files,
    100 * count(*) / any_value(p.rows_read) AS share_pct, min(r.value) AS for_example
FROM rejected_row AS r
JOIN export_file AS f USING (export_id)
JOIN (SELECT profile, sum(rows_read) AS rows_read FROM export_file GROUP BY profile) AS p ON p.profile = f.profile
GROUP BY f.profile, r.column_name, r.reason
ORDER BY rows DESC, f.profile, r.column_name NULLS FIRST, r.reason
