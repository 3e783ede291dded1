-- Grain   one row per site and device
-- Why     an export of one row cannot tell its interval: it is that of the last export before it which could
CREATE TABLE known_interval (site_id VARCHAR NOT NULL, device_id VARCHAR NOT NULL, interval_s INTEGER NOT NULL);
