-- Grain   one row per site whose clear days told something of its roof: the newest model
-- Source  the feature site_model, as of the last run
CREATE TABLE site_model AS
SELECT
    site_id, day, clear_days, tilt_deg, tilt_spread_deg, azimuth_deg, azimuth_spread_deg, capacity_kwp, capacity_spread_kwp,
    capacity_early_kwp, capacity_late_kwp, first_clear_day, last_clear_day, residual_pct, installed_kwp, reference_ratio,
    input1_share_pct, input2_share_pct, input3_share_pct, input4_share_pct
FROM history.feature_site_model
QUALIFY row_number() OVER (PARTITION BY site_id ORDER BY day DESC) = 1
ORDER BY site_id;
COMMENT ON TABLE site_model IS 'one row per site: what its clear days tell of its roof';
COMMENT ON COLUMN site_model.site_id IS 'the site''s id in the register';
COMMENT ON COLUMN site_model.day IS 'date: as of which it was learned';
COMMENT ON COLUMN site_model.clear_days IS 'count of clear days that it was learned from';
COMMENT ON COLUMN site_model.tilt_deg IS 'degrees from horizontal, learned as one plane whatever the register says';
COMMENT ON COLUMN site_model.tilt_spread_deg IS 'degrees: one standard deviation of tilt_deg';
COMMENT ON COLUMN site_model.azimuth_deg IS 'degrees clockwise from north, learned as one plane whatever the register says';
COMMENT ON COLUMN site_model.azimuth_spread_deg IS 'degrees: one standard deviation of azimuth_deg';
COMMENT ON COLUMN site_model.capacity_kwp IS 'kWp that would make the clear days'' powers, by the registered planes where there are any, else by the learned one; the model''s own error of some 10 % is in it';
COMMENT ON COLUMN site_model.capacity_spread_kwp IS 'kWp: one standard deviation of capacity_kwp';
COMMENT ON COLUMN site_model.capacity_early_kwp IS 'kWp: capacity_kwp from the earlier half of the clear days';
COMMENT ON COLUMN site_model.capacity_late_kwp IS 'kWp: capacity_kwp from the later half of the clear days';
COMMENT ON COLUMN site_model.first_clear_day IS 'date: the first of the clear days';
COMMENT ON COLUMN site_model.last_clear_day IS 'date: the last of the clear days';
COMMENT ON COLUMN site_model.residual_pct IS '%: what the learned plane leaves unexplained, of the highest power';
COMMENT ON COLUMN site_model.installed_kwp IS 'kWp that the register gave when it was learned';
COMMENT ON COLUMN site_model.reference_ratio IS 'ratio: actual over expected energy while the site was sound; null = not known yet';
COMMENT ON COLUMN site_model.input1_share_pct IS '%: the first input''s share of the energy while the site was sound';
COMMENT ON COLUMN site_model.input2_share_pct IS '%: the second input''s share of the energy while the site was sound';
COMMENT ON COLUMN site_model.input3_share_pct IS '%: the third input''s share of the energy while the site was sound';
COMMENT ON COLUMN site_model.input4_share_pct IS '%: the fourth input''s share of the energy while the site was sound';
