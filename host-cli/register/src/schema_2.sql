-- What the gate refused: kept as it came, and counted nowhere.
CREATE TABLE quarantine (
  id         INTEGER PRIMARY KEY,  -- of this file only
  sha256     TEXT NOT NULL UNIQUE, -- of the bytes
  kind       TEXT NOT NULL,        -- 'recording', or 'record': the columns of one as JSON
  reason     TEXT NOT NULL,
  source     TEXT NOT NULL,        -- the file it came from; of a merged record its BENCH/NUMBER too
  arrived_at TEXT NOT NULL,
  bytes      BLOB NOT NULL
) STRICT;

-- Valves under test just now, and by whom.
CREATE TABLE claims (
  batch    TEXT NOT NULL REFERENCES batches (batch),
  serial   TEXT NOT NULL REFERENCES valves (serial),
  bench    TEXT NOT NULL,  -- UUID of the bench
  holder   TEXT NOT NULL,  -- UUID of the session that holds it
  operator TEXT NOT NULL,
  since    TEXT NOT NULL,
  until    TEXT NOT NULL,  -- no longer held from then on, unless renewed
  PRIMARY KEY (batch, serial)
) STRICT, WITHOUT ROWID;
