-- Grain   one row per local day that must be judged again, at every site
-- Why     what is said of a day looks back on the days before it: once one of those changed, all later ones are due, and
--         a run that ends early must not forget them
CREATE TABLE due_day (day DATE NOT NULL);
