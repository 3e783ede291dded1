-- Grain   one row per inverter of devices.csv and quantity that it ever reported
-- Why     a site's quantity is known once all inverters that report it have done so; often one alone carries the meter
CREATE TABLE device_channel (site_id VARCHAR NOT NULL, device_id VARCHAR NOT NULL, channel VARCHAR NOT NULL);
