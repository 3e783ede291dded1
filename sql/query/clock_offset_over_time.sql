-- Question  How far off was each clock, and when did it change?
-- Reading   Weekly medians of what the sun says, stamped - true; first and last light of five days. Below a quarter of an
--           hour it may be the roof's own: walls and trees move it. change_min is against the week before.
-- Param     site VARCHAR =: one site's id; without it all of them
-- Param     from_day DATE =: first local day; without it all of them
WITH weeks AS (
    SELECT
        site_id, device_id, CAST(date_trunc('week', day) AS DATE) AS week,
        count(*) AS days, median(offset_min) AS offset_min, median(spread_min) AS spread_min
    FROM clock_day
    WHERE site_id = coalesce(CAST($site AS VARCHAR), site_id)
      AND day >= coalesce(CAST($from_day AS DATE), DATE '1900-01-01')
    GROUP BY ALL
)
SELECT *, offset_min - lag(offset_min) OVER (PARTITION BY site_id, device_id ORDER BY week) AS change_min
FROM weeks
ORDER BY site_id, device_id, week
