-- Grain   one more column of a decision: the person who is to see to it; decided_by is who decided
ALTER TABLE decision ADD COLUMN decided_for VARCHAR;
