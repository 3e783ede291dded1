-- Question  Which exceptions came back after they had been closed?
-- Reading   Reopened ones (the same id) and new ones of the same kind at the same site, with the days that lay between.
--           A revisit that came back soon was not what the fault needed.
-- Param     within_days INTEGER = 90: longer apart it is another fault
WITH spans AS (
    SELECT
        e.exception_id, x.site_id, x.kind, s.installer_id, e.event, e."at",
        lag(e.event) OVER its AS event_before, lag(e."at") OVER its AS day_before, x.cost, x.currency
    FROM exception_event AS e
    JOIN (SELECT exception_id, site_id, kind, cost, currency FROM exception) AS x USING (exception_id)
    JOIN site AS s ON s.site_id = x.site_id
    WHERE e.event IN ('opened', 'closed', 'reopened')
    WINDOW its AS (PARTITION BY x.site_id, x.kind ORDER BY e."at", e.event_no)
)
SELECT site_id, kind, installer_id, exception_id, day_before AS closed_on, "at" AS back_on,
    "at" - day_before AS days_between, event = 'reopened' AS is_reopened, cost, currency
FROM spans
WHERE event IN ('opened', 'reopened') AND event_before = 'closed'
  AND "at" - day_before <= CAST($within_days AS INTEGER)
ORDER BY days_between, site_id, kind
