-- Grain   three more columns of the site-day, from which a battery's capacity and losses follow
-- Why     both show only between states of charge, so what was taken and the fall that it caused are kept together
ALTER TABLE site_day ADD COLUMN soc_first_pct DOUBLE;
ALTER TABLE site_day ADD COLUMN discharge_drop_pct DOUBLE;
ALTER TABLE site_day ADD COLUMN discharge_drop_kwh DOUBLE;
INSERT INTO dirty_day SELECT site_id, day FROM site_day;
