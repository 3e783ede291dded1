-- Why     reasons are grouped by code; the sentence is made from the code and its values. Older rows have neither.
ALTER TABLE not_judged ADD COLUMN code VARCHAR;
ALTER TABLE not_judged ADD COLUMN "values" JSON;
