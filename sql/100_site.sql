-- Grain   one row per site of the register
-- Source  the history's table of this name, as of the last run
CREATE TABLE site AS
SELECT
    site_id, name, latitude, longitude, timezone, export_timezone, installed_kwp, tilt_deg,
    azimuth_deg, inverter_kw, phases, feed_in_limit_kw, feed_in_buffer_w, import_limit_kw, battery_kwh, battery_reserve_pct,
    battery_resume_pct, battery_backup_floor_pct, grid_charging, nominal_voltage_v, nominal_frequency_hz, import_price, feed_in_price, currency,
    installer_id, commissioned_on, coalesce(p.profile, s.profile) AS profile, external_id, watched, address, contact, phone, access_note
FROM history.site AS s LEFT JOIN history.site_profile AS p USING (site_id)
ORDER BY s.rowid;
COMMENT ON TABLE site IS 'one row per site of the register';
COMMENT ON COLUMN site.site_id IS 'the site''s id in the register';
COMMENT ON COLUMN site.name IS 'the site''s name';
COMMENT ON COLUMN site.latitude IS 'degrees north, WGS84';
COMMENT ON COLUMN site.longitude IS 'degrees east, WGS84';
COMMENT ON COLUMN site.timezone IS 'IANA name of the zone where the site stands';
COMMENT ON COLUMN site.export_timezone IS 'IANA name of the zone entered for the site in the system that writes its exports';
COMMENT ON COLUMN site.installed_kwp IS 'kW at standard test conditions: peak capacity of all modules';
COMMENT ON COLUMN site.tilt_deg IS 'degrees from horizontal; null = unknown or several planes';
COMMENT ON COLUMN site.azimuth_deg IS 'degrees clockwise from north; null = unknown or several planes';
COMMENT ON COLUMN site.inverter_kw IS 'kW: AC rating; null = unknown';
COMMENT ON COLUMN site.phases IS 'count: 1 or 3';
COMMENT ON COLUMN site.feed_in_limit_kw IS 'kW: null = no limit, 0 = may not feed the grid';
COMMENT ON COLUMN site.feed_in_buffer_w IS 'W: import that the inverter keeps up so as not to feed in; null = not known';
COMMENT ON COLUMN site.import_limit_kw IS 'kW: peak shaving; null = not set';
COMMENT ON COLUMN site.battery_kwh IS 'kWh: capacity; null = no battery';
COMMENT ON COLUMN site.battery_reserve_pct IS '% state of charge: discharge stops here while the grid is there; null = not known';
COMMENT ON COLUMN site.battery_resume_pct IS '% state of charge: after that stop, discharge waits until this; null = not known';
COMMENT ON COLUMN site.battery_backup_floor_pct IS '% state of charge: discharge stops here when the grid is out; null = not known';
COMMENT ON COLUMN site.grid_charging IS 'true = the battery may charge from the grid';
COMMENT ON COLUMN site.nominal_voltage_v IS 'V, phase to neutral';
COMMENT ON COLUMN site.nominal_frequency_hz IS 'Hz';
COMMENT ON COLUMN site.import_price IS 'money per kWh imported, in currency';
COMMENT ON COLUMN site.feed_in_price IS 'money per kWh fed in, in currency';
COMMENT ON COLUMN site.currency IS 'ISO 4217 code';
COMMENT ON COLUMN site.installer_id IS 'the installer''s id in the register; null = not known';
COMMENT ON COLUMN site.commissioned_on IS 'date; readings before it are kept, not judged; null = not known';
COMMENT ON COLUMN site.profile IS 'name of the profile that its exports used last; before the first one, the register''s (null = not named)';
COMMENT ON COLUMN site.external_id IS 'what the export calls the site';
COMMENT ON COLUMN site.watched IS 'false = data is kept, nothing is raised';
COMMENT ON COLUMN site.address IS 'text: where the site is; null = not known';
COMMENT ON COLUMN site.contact IS 'text: whom the installer asks for; null = not known';
COMMENT ON COLUMN site.phone IS 'text: telephone number of the contact; null = not known';
COMMENT ON COLUMN site.access_note IS 'text: how to get in; null = not known';
