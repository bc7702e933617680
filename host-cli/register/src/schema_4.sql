-- Who made a record: signatures of seals, by the key that a note states.
CREATE TABLE signatures (
  bench     TEXT NOT NULL REFERENCES benches (bench),
  number    INTEGER NOT NULL,
  key       TEXT NOT NULL,  -- Ed25519, 64 hexadecimal digits
  signature TEXT NOT NULL,  -- 128 hexadecimal digits
  PRIMARY KEY (bench, number)
) STRICT, WITHOUT ROWID;
CREATE TRIGGER signatures_stay BEFORE DELETE ON signatures BEGIN SELECT RAISE(ABORT, 'records are never deleted'); END;
CREATE TRIGGER signatures_keep BEFORE UPDATE ON signatures BEGIN SELECT RAISE(ABORT, 'records are never changed'); END;
