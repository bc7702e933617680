-- The bench register, version 1. docs/register.md explains it; a test compares the two.

-- Every bench whose records are in this file. One of them is the file's own: the one that appends.
CREATE TABLE benches (
  bench       TEXT NOT NULL PRIMARY KEY,  -- UUID
  name        TEXT NOT NULL,              -- what people call it
  local       INTEGER NOT NULL,           -- 1: this file appends to its chain
  complete    INTEGER NOT NULL,           -- 1: every record from 1 on is here; 0: a selection
  last_number INTEGER NOT NULL,           -- number of the last record here; 0: none
  seal        TEXT NOT NULL               -- seal of that record; for none, the SHA-256 of the bench's UUID
) STRICT, WITHOUT ROWID;

-- Recipes as used, by the SHA-256 of their bytes.
CREATE TABLE recipes (
  sha256 TEXT NOT NULL PRIMARY KEY,
  json   TEXT NOT NULL  -- every field, in base units
) STRICT, WITHOUT ROWID;

-- Rigs as used: with the calibrations in force already taken in.
CREATE TABLE rigs (
  sha256 TEXT NOT NULL PRIMARY KEY,
  json   TEXT NOT NULL  -- every field, in base units
) STRICT, WITHOUT ROWID;

-- Calibrations in force: what was taken, is out of date, or is missing.
CREATE TABLE calibrations (
  sha256 TEXT NOT NULL PRIMARY KEY,
  json   TEXT NOT NULL  -- a list of texts
) STRICT, WITHOUT ROWID;

-- Valves by serial number, as last told.
CREATE TABLE valves (
  serial    TEXT NOT NULL PRIMARY KEY,
  actuation TEXT NOT NULL DEFAULT '',  -- 'air', 'hand', or '' where not said
  dn        INTEGER,                   -- nominal size
  notes     TEXT NOT NULL DEFAULT ''
) STRICT, WITHOUT ROWID;

-- Batches.
CREATE TABLE batches (
  batch       TEXT NOT NULL PRIMARY KEY,  -- UUID
  name        TEXT NOT NULL,
  opened_at   TEXT NOT NULL,              -- RFC 3339, UTC
  check_digit TEXT NOT NULL DEFAULT ''    -- check digit of its serials: 'luhn', 'mod-37-36', or '' for none
) STRICT, WITHOUT ROWID;

-- The valves of a batch, in the order of its list.
CREATE TABLE batch_valves (
  batch    TEXT NOT NULL REFERENCES batches (batch),
  position INTEGER NOT NULL,  -- from 1
  serial   TEXT NOT NULL REFERENCES valves (serial),
  PRIMARY KEY (batch, position)
) STRICT, WITHOUT ROWID;
CREATE UNIQUE INDEX batch_valves_serial ON batch_valves (batch, serial);

-- Recordings: the bytes of the stand-alone .hold files, by their SHA-256.
CREATE TABLE recordings (
  id     INTEGER PRIMARY KEY,
  sha256 TEXT NOT NULL UNIQUE,
  bytes  BLOB NOT NULL
) STRICT;

-- Runs. Records of a bench's chain, like notes; what can be read from the recording is there for searching.
CREATE TABLE runs (
  id              INTEGER PRIMARY KEY,  -- of this file only
  bench           TEXT NOT NULL REFERENCES benches (bench),
  number          INTEGER NOT NULL,     -- in the bench's chain, from 1
  recording       TEXT NOT NULL REFERENCES recordings (sha256),
  duplicate       INTEGER NOT NULL,     -- 1: the same recording is in this file as another run already; not sealed
  serial          TEXT NOT NULL REFERENCES valves (serial),
  batch           TEXT REFERENCES batches (batch),
  after_rework    TEXT,                 -- 'BENCH/NUMBER' of the rework note that this run follows
  operator        TEXT NOT NULL,
  started_at      TEXT NOT NULL,        -- RFC 3339, UTC
  ended_at        TEXT NOT NULL,        -- started_at and the length on the rig's clock
  appended_at     TEXT NOT NULL,
  sides_requested TEXT NOT NULL,        -- sides asked for: 'both', 'first', 'second'
  outcome         TEXT NOT NULL,        -- 'judged', 'fault', 'refused', 'aborted', 'cut-short'
  verdict         TEXT,                 -- 'tight', 'leaking', 'undecided', 'void'; NULL without one
  limit_pa_m3_s   REAL NOT NULL,
  recipe          TEXT NOT NULL REFERENCES recipes (sha256),
  recipe_name     TEXT NOT NULL,
  rig             TEXT NOT NULL REFERENCES rigs (sha256),
  rig_name        TEXT NOT NULL,
  calibrations    TEXT NOT NULL REFERENCES calibrations (sha256),
  program         TEXT NOT NULL,        -- that wrote the recording
  source          TEXT NOT NULL,        -- what stood behind the transducer: 'simulated', …
  identity        TEXT NOT NULL,        -- more of that, as JSON: rig and firmware
  leak_unit       TEXT NOT NULL,        -- that leaks were written in
  polls           INTEGER NOT NULL,
  previous        TEXT NOT NULL,        -- seal of the record before
  seal            TEXT NOT NULL         -- SHA-256 over the above, but for id and duplicate, and the run's sides
) STRICT;
CREATE UNIQUE INDEX runs_number ON runs (bench, number);
CREATE INDEX runs_serial ON runs (serial, started_at);
CREATE INDEX runs_batch ON runs (batch, serial);
CREATE INDEX runs_started ON runs (started_at, id);
CREATE INDEX runs_recording ON runs (recording);

-- What was found on each side of a run.
CREATE TABLE sides (
  run                 INTEGER NOT NULL REFERENCES runs (id),
  position            INTEGER NOT NULL,  -- in the order judged, from 1
  side                TEXT NOT NULL,     -- 'first' (end A on supply), 'second' (end B on supply)
  verdict             TEXT NOT NULL,
  reason              TEXT NOT NULL,     -- why: 'measured', 'maximum-time', 'gross-fall', …
  leak_pa_m3_s        REAL,              -- NULL where nothing was fitted
  expanded_pa_m3_s    REAL,              -- half-width of the interval
  coverage            REAL,              -- that the interval covers the true leak with
  limit_pa_m3_s       REAL NOT NULL,
  window_ms           INTEGER,
  isolated_pa         INTEGER,           -- gauge, when the valve was shut
  fall_pa             INTEGER NOT NULL,
  after_ms            INTEGER NOT NULL,
  PRIMARY KEY (run, position)
) STRICT, WITHOUT ROWID;

-- Notes: what people did between runs. Records of a bench's chain, like runs.
CREATE TABLE notes (
  id         INTEGER PRIMARY KEY,  -- of this file only
  bench      TEXT NOT NULL REFERENCES benches (bench),
  number     INTEGER NOT NULL,
  kind       TEXT NOT NULL,        -- 'opened', 'rework', 'set-aside', 'remark', 'closed'
  batch      TEXT REFERENCES batches (batch),
  serial     TEXT REFERENCES valves (serial),
  about      TEXT,                 -- 'BENCH/NUMBER' of the run that was the reason
  operator   TEXT NOT NULL,
  written_at TEXT NOT NULL,
  text       TEXT NOT NULL,        -- of 'opened': the list of valves, tab-separated
  previous   TEXT NOT NULL,
  seal       TEXT NOT NULL         -- SHA-256 over the above, but for id
) STRICT;
CREATE UNIQUE INDEX notes_number ON notes (bench, number);
CREATE INDEX notes_serial ON notes (serial);
CREATE INDEX notes_batch ON notes (batch, serial);

-- What has been written stays written.
CREATE TRIGGER runs_stay BEFORE UPDATE ON runs BEGIN SELECT RAISE(ABORT, 'runs are never changed'); END;
CREATE TRIGGER runs_keep BEFORE DELETE ON runs BEGIN SELECT RAISE(ABORT, 'runs are never deleted'); END;
CREATE TRIGGER sides_stay BEFORE UPDATE ON sides BEGIN SELECT RAISE(ABORT, 'runs are never changed'); END;
CREATE TRIGGER sides_keep BEFORE DELETE ON sides BEGIN SELECT RAISE(ABORT, 'runs are never deleted'); END;
CREATE TRIGGER notes_stay BEFORE UPDATE ON notes BEGIN SELECT RAISE(ABORT, 'notes are never changed'); END;
CREATE TRIGGER notes_keep BEFORE DELETE ON notes BEGIN SELECT RAISE(ABORT, 'notes are never deleted'); END;
CREATE TRIGGER recordings_stay BEFORE UPDATE ON recordings BEGIN SELECT RAISE(ABORT, 'recordings are never changed'); END;
CREATE TRIGGER recordings_keep BEFORE DELETE ON recordings BEGIN SELECT RAISE(ABORT, 'recordings are never deleted'); END;
CREATE TRIGGER recipes_stay BEFORE UPDATE ON recipes BEGIN SELECT RAISE(ABORT, 'recipes are never changed'); END;
CREATE TRIGGER recipes_keep BEFORE DELETE ON recipes BEGIN SELECT RAISE(ABORT, 'recipes are never deleted'); END;
CREATE TRIGGER rigs_stay BEFORE UPDATE ON rigs BEGIN SELECT RAISE(ABORT, 'rigs are never changed'); END;
CREATE TRIGGER rigs_keep BEFORE DELETE ON rigs BEGIN SELECT RAISE(ABORT, 'rigs are never deleted'); END;
CREATE TRIGGER calibrations_stay BEFORE UPDATE ON calibrations BEGIN SELECT RAISE(ABORT, 'calibrations are never changed'); END;
CREATE TRIGGER calibrations_keep BEFORE DELETE ON calibrations BEGIN SELECT RAISE(ABORT, 'calibrations are never deleted'); END;
CREATE TRIGGER batch_valves_stay BEFORE UPDATE ON batch_valves BEGIN SELECT RAISE(ABORT, 'lists of valves are never changed'); END;
CREATE TRIGGER batch_valves_keep BEFORE DELETE ON batch_valves BEGIN SELECT RAISE(ABORT, 'lists of valves are never deleted'); END;
