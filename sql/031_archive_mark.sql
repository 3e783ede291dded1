-- Grain   one row
-- Why     a history that lacks exports of the archive is an older one; but a rebuild may have had to leave some out, and
--         one that fell back to its copy takes them in again
CREATE TABLE archive_mark (highest BIGINT NOT NULL, is_behind BOOLEAN NOT NULL);
INSERT INTO archive_mark VALUES (0, false);
