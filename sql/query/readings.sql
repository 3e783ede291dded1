-- Grain   one row per site, device and instant between two instants, as stored: where no clock is corrected
-- Source  parameters $lo, $hi; $held: reading_raw, and the older months; $which: a join with the sites asked for (or a
--         span of each), or nothing
-- Why     most histories have no correction, and the text of those that do takes thrice as long to plan; whoever reads
--         puts the rows in order, as they are stored in order file by file
SELECT r.*, CAST(0 AS DOUBLE) AS clock_shift_min
FROM $held AS r $which
WHERE r.ts_utc >= $lo AND r.ts_utc < $hi
