-- Grain   one row per site, local day and kind
CREATE TABLE finding (
    site_id VARCHAR NOT NULL, day DATE NOT NULL, kind VARCHAR NOT NULL, severity VARCHAR NOT NULL,
    value DOUBLE NOT NULL, unit VARCHAR NOT NULL, threshold DOUBLE NOT NULL, loss_kwh DOUBLE NOT NULL, evidence JSON NOT NULL,
    summary VARCHAR NOT NULL, measured VARCHAR NOT NULL, expected VARCHAR NOT NULL, since DATE, cost DOUBLE NOT NULL
);
-- Grain   one row per site, local day and detector that could not judge
CREATE TABLE not_judged (site_id VARCHAR NOT NULL, day DATE NOT NULL, detector VARCHAR NOT NULL, reason VARCHAR NOT NULL);
-- Grain   one row per site and local day that went before the detectors: with neither finding nor not_judged it was clean
CREATE TABLE judged (site_id VARCHAR NOT NULL, day DATE NOT NULL, judged_at TIMESTAMPTZ NOT NULL);
