-- Grain   one row per site and last judged day on which these cells of the register held, before somebody changed them
-- Why     a level or a limit that is agreed anew holds from then on: days before it that are judged again keep theirs
CREATE TABLE agreed_until (
    site_id VARCHAR NOT NULL,
    until_day DATE NOT NULL,
    feed_in_limit_kw DOUBLE,
    feed_in_buffer_w DOUBLE,
    import_limit_kw DOUBLE,
    battery_reserve_pct DOUBLE,
    battery_resume_pct DOUBLE,
    battery_backup_floor_pct DOUBLE,
    grid_charging BOOLEAN
);
