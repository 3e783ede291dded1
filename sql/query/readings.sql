-- Grain   one row per site, device and instant between two instants, as stored: where no clock is corrected
-- Source  parameters $lo, $hi; $held: reading_raw, and the older months; $which: a join with the sites asked for, or nothing
-- Why     most histories have no correction, and the text of those that do takes thrice as long to plan; in no order,
--         which whoever asks gives them in half of the time
SELECT r.*, CAST(0 AS DOUBLE) AS clock_shift_min
FROM $held AS r $which
WHERE r.ts_utc >= $lo AND r.ts_utc < $hi
