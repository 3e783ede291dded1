-- Grain   two more columns of the site-day, where irradiance is measured
-- Source  IEC 61724-1: reference yield = irradiation in the modules' plane over 1 kW/m2; performance ratio = final yield
--         over reference yield (final yield = specific_yield_kwh_per_kwp)
ALTER TABLE site_day ADD COLUMN reference_yield_h DOUBLE;
ALTER TABLE site_day ADD COLUMN performance_ratio DOUBLE;
INSERT INTO dirty_day SELECT site_id, day FROM site_day;
