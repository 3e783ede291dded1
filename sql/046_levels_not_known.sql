-- Grain   levels of the battery and the import kept up, per site
-- Why     what the register leaves empty is not known: a default would be taken for a fact
ALTER TABLE site ALTER COLUMN feed_in_buffer_w DROP NOT NULL;
ALTER TABLE site ALTER COLUMN battery_reserve_pct DROP NOT NULL;
ALTER TABLE site ALTER COLUMN battery_resume_pct DROP NOT NULL;
ALTER TABLE site ALTER COLUMN battery_backup_floor_pct DROP NOT NULL;
