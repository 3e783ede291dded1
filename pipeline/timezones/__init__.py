"""Local time, UTC and the changes of clocks, on the pinned time zone database."""
