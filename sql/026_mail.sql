-- Grain   one row per attempt to mail the digest of a day, and per mail whose end is not known
-- Why     the digest of a day is mailed once: a later run of the same day tries again only what was not sent
CREATE TABLE mail (
    day DATE NOT NULL,
    attempted_at TIMESTAMPTZ NOT NULL,
    outcome VARCHAR NOT NULL,     -- sent, sent in part, unknown (killed while the server took it), failed
    recipients VARCHAR NOT NULL,  -- separated by commas
    detail VARCHAR NOT NULL       -- what the server answered, where it did not take the mail
);
