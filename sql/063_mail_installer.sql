-- Why     an installer's mail is one of its own: it is told, and tried again, apart from the desk's
ALTER TABLE mail ADD COLUMN installer_id VARCHAR DEFAULT '';
