-- Grain   four columns more per site
-- Why     where the installer must go, whom to call, and how to get in
ALTER TABLE site ADD COLUMN address VARCHAR;
ALTER TABLE site ADD COLUMN contact VARCHAR;
ALTER TABLE site ADD COLUMN phone VARCHAR;
ALTER TABLE site ADD COLUMN access_note VARCHAR;
