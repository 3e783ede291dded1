-- Grain   one row per matter, as the fold over findings and decisions gives it after the last judged day
CREATE TABLE exception (
    exception_id VARCHAR NOT NULL, site_id VARCHAR NOT NULL, kind VARCHAR NOT NULL, severity VARCHAR NOT NULL,
    status VARCHAR NOT NULL, opened_on DATE NOT NULL, first_day DATE NOT NULL, last_day DATE NOT NULL, days_open INTEGER NOT NULL,
    loss_kwh DOUBLE NOT NULL, cost DOUBLE NOT NULL, currency VARCHAR NOT NULL, summary VARCHAR NOT NULL, evidence JSON NOT NULL,
    closed_on DATE, reopened INTEGER NOT NULL, snoozed_until DATE, note VARCHAR, hidden_by VARCHAR,
    finding_days INTEGER NOT NULL, clear_days INTEGER NOT NULL, measured VARCHAR NOT NULL, expected VARCHAR NOT NULL, detector VARCHAR NOT NULL,
    value DOUBLE, unit VARCHAR, threshold DOUBLE
);
-- Grain   one row per matter for an installer
CREATE TABLE revisit (
    exception_id VARCHAR NOT NULL, site_id VARCHAR NOT NULL, installer_id VARCHAR, kind VARCHAR NOT NULL, since DATE NOT NULL,
    diagnosis VARCHAR NOT NULL, measured VARCHAR NOT NULL, expected VARCHAR NOT NULL, steps VARCHAR NOT NULL
);
-- Grain   one row per decision of a person about an exception, in the order made
CREATE TABLE decision (
    decided_at TIMESTAMPTZ NOT NULL, on_day DATE NOT NULL, exception_id VARCHAR NOT NULL,
    action VARCHAR NOT NULL, until DATE, note VARCHAR NOT NULL, decided_by VARCHAR NOT NULL
);
