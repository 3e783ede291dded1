-- Grain   one row per site, plane, device and installer: the register as the last run read it
-- Source  sites.csv, arrays.csv, devices.csv, installers.csv
CREATE TABLE site (
    site_id VARCHAR NOT NULL, name VARCHAR NOT NULL,
    latitude DOUBLE NOT NULL, longitude DOUBLE NOT NULL,
    timezone VARCHAR NOT NULL, export_timezone VARCHAR NOT NULL,
    installed_kwp DOUBLE NOT NULL, tilt_deg DOUBLE, azimuth_deg DOUBLE,
    inverter_kw DOUBLE, phases INTEGER NOT NULL,
    feed_in_limit_kw DOUBLE, feed_in_buffer_w DOUBLE NOT NULL, import_limit_kw DOUBLE,
    battery_kwh DOUBLE, battery_reserve_pct DOUBLE NOT NULL, battery_resume_pct DOUBLE NOT NULL,
    battery_backup_floor_pct DOUBLE NOT NULL, grid_charging BOOLEAN NOT NULL,
    nominal_voltage_v DOUBLE NOT NULL, nominal_frequency_hz DOUBLE NOT NULL,
    import_price DOUBLE NOT NULL, feed_in_price DOUBLE NOT NULL, currency VARCHAR NOT NULL,
    installer_id VARCHAR, commissioned_on DATE, profile VARCHAR, external_id VARCHAR NOT NULL,
    watched BOOLEAN NOT NULL
);
CREATE TABLE plane (site_id VARCHAR NOT NULL, kwp DOUBLE NOT NULL, tilt_deg DOUBLE, azimuth_deg DOUBLE);
CREATE TABLE device (site_id VARCHAR NOT NULL, device_id VARCHAR NOT NULL, external_id VARCHAR NOT NULL, inverter_kw DOUBLE);
CREATE TABLE installer (installer_id VARCHAR NOT NULL, name VARCHAR NOT NULL, email VARCHAR);
