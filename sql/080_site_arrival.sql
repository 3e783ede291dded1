-- Grain   one row per site and UTC day on which newer readings of it came than were there before
-- Why     how late a site's exports usually come: before that, its silence says nothing
CREATE TABLE site_arrival (
    site_id VARCHAR NOT NULL,
    arrived_on DATE NOT NULL,
    arrived_at TIMESTAMPTZ NOT NULL,  -- of the first of the day that brought newer readings
    before_utc TIMESTAMPTZ,           -- the newest reading before it; null = there was none
    newest_utc TIMESTAMPTZ NOT NULL   -- the newest reading after the last of them
);
