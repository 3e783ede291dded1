-- Question  Which exceptions have been open longest, and who said what of them last?
-- Reading   Those that are not closed and that no other explains; by is the person of the last decision, null = nobody
--           has looked at it yet.
-- Param     severity VARCHAR =: urgent, soon or watch; without it all of them
SELECT
    e.exception_id, e.severity, e.status, e.kind, e.site_id, e.opened_on, e.days_open, e.loss_kwh, e.cost, e.currency,
    d.decided_by AS "by", d.note
FROM exception AS e
LEFT JOIN (
    SELECT exception_id, arg_max(decided_by, decided_at) AS decided_by, arg_max(note, decided_at) AS note
    FROM decision
    GROUP BY exception_id
) AS d USING (exception_id)
WHERE e.status <> 'closed' AND e.hidden_by IS NULL AND e.severity = coalesce(CAST($severity AS VARCHAR), e.severity)
ORDER BY e.days_open DESC, e.exception_id
