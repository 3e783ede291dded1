-- Why     modules that are added or taken away count from then on: days before keep the capacity that they had
ALTER TABLE agreed_until ADD COLUMN installed_kwp DOUBLE;
ALTER TABLE agreed_until ADD COLUMN inverter_kw DOUBLE;
