-- The office, version 1: records of every bench as they were sealed. docs/office.md explains it.
--
-- Whoever runs this owns the tables: a login of its own, used for nothing else, that may make roles in the server.

CREATE SCHEMA seathold;
REVOKE ALL ON SCHEMA seathold FROM PUBLIC;

-- Roles are of the whole server: another office of the same server has made them already, or does so just now.
DO $$
DECLARE
  wanted text;
BEGIN
  FOREACH wanted IN ARRAY ARRAY['seathold_bench', 'seathold_office'] LOOP
    IF NOT EXISTS (SELECT 1 FROM pg_roles WHERE rolname = wanted) THEN
      BEGIN
        EXECUTE format('CREATE ROLE %I NOLOGIN', wanted);
      EXCEPTION WHEN duplicate_object OR unique_violation THEN NULL;
      END;
    END IF;
  END LOOP;
END
$$;

CREATE TABLE seathold.version (
  version integer NOT NULL PRIMARY KEY,
  made_at timestamptz NOT NULL DEFAULT now()
);

-- Benches, each with the login that may add to its chain: the first that did. The owner may enter another.
CREATE TABLE seathold.benches (
  bench text NOT NULL PRIMARY KEY,              -- UUID
  name  text NOT NULL,                          -- what people call it
  role  name NOT NULL DEFAULT current_user
);

-- A line a record, run or note: its place in the chain.
CREATE TABLE seathold.records (
  bench       text NOT NULL REFERENCES seathold.benches (bench),
  number      bigint NOT NULL CHECK (number > 0),
  word        text NOT NULL CHECK (word IN ('run', 'note')),
  previous    text NOT NULL,
  seal        text NOT NULL,
  key         text,
  signature   text,
  received_at timestamptz NOT NULL DEFAULT now(),
  PRIMARY KEY (bench, number)
);

-- Runs: the columns of the register.
CREATE TABLE seathold.runs (
  bench           text NOT NULL,
  number          bigint NOT NULL,
  recording       text NOT NULL,
  serial          text NOT NULL,
  batch           text,
  after_rework    text,
  operator        text NOT NULL,
  started_at      text NOT NULL,
  ended_at        text NOT NULL,
  appended_at     text NOT NULL,
  sides_requested text NOT NULL,
  outcome         text NOT NULL,
  verdict         text,
  limit_pa_m3_s   double precision NOT NULL,
  recipe          text NOT NULL,
  recipe_name     text NOT NULL,
  rig             text NOT NULL,
  rig_name        text NOT NULL,
  calibrations    text NOT NULL,
  program         text NOT NULL,
  source          text NOT NULL,
  identity        text NOT NULL,
  leak_unit       text NOT NULL,
  polls           bigint NOT NULL,
  PRIMARY KEY (bench, number)
);
CREATE INDEX runs_serial ON seathold.runs (serial, started_at);
CREATE INDEX runs_batch ON seathold.runs (batch, serial);

CREATE TABLE seathold.sides (
  bench            text NOT NULL,
  number           bigint NOT NULL,
  position         bigint NOT NULL,
  side             text NOT NULL,
  verdict          text NOT NULL,
  reason           text NOT NULL,
  leak_pa_m3_s     double precision,
  expanded_pa_m3_s double precision,
  coverage         double precision,
  limit_pa_m3_s    double precision NOT NULL,
  window_ms        bigint,
  isolated_pa      bigint,
  fall_pa          bigint NOT NULL,
  after_ms         bigint NOT NULL,
  PRIMARY KEY (bench, number, position)
);

CREATE TABLE seathold.notes (
  bench      text NOT NULL,
  number     bigint NOT NULL,
  kind       text NOT NULL,
  batch      text,
  serial     text,
  about      text,
  operator   text NOT NULL,
  written_at text NOT NULL,
  text       text NOT NULL,
  PRIMARY KEY (bench, number)
);
CREATE INDEX notes_serial ON seathold.notes (serial);
CREATE INDEX notes_batch ON seathold.notes (batch, serial);
CREATE INDEX notes_about ON seathold.notes (about);

-- Recordings: the bytes of the stand-alone .hold files. They are packed already, so the server does not try again.
CREATE TABLE seathold.recordings (
  bench  text NOT NULL,
  sha256 text NOT NULL,
  bytes  bytea NOT NULL,
  PRIMARY KEY (bench, sha256)
);
ALTER TABLE seathold.recordings ALTER COLUMN bytes SET STORAGE EXTERNAL;

-- Texts that runs share.
CREATE TABLE seathold.recipes (bench text NOT NULL, sha256 text NOT NULL, json text NOT NULL, PRIMARY KEY (bench, sha256));
CREATE TABLE seathold.rigs (bench text NOT NULL, sha256 text NOT NULL, json text NOT NULL, PRIMARY KEY (bench, sha256));
CREATE TABLE seathold.calibrations (bench text NOT NULL, sha256 text NOT NULL, json text NOT NULL, PRIMARY KEY (bench, sha256));

-- The end of a chain after each transaction of a push: an end that is cut off later is seen by it.
CREATE TABLE seathold.heads (
  bench     text NOT NULL,
  number    bigint NOT NULL,
  seal      text NOT NULL,
  role      name NOT NULL DEFAULT current_user,
  pushed_at timestamptz NOT NULL DEFAULT now(),
  PRIMARY KEY (bench, number)
);

-- What has been written stays written.
CREATE FUNCTION seathold.refuse() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  RAISE EXCEPTION '% are never changed or deleted', TG_TABLE_NAME USING ERRCODE = 'restrict_violation';
END
$$;

-- A record follows the one before it, also where another program than ours writes.
CREATE FUNCTION seathold.follow() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
  wrong record;
BEGIN
  SELECT n.bench, n.number INTO wrong FROM added n
  WHERE n.previous IS DISTINCT FROM CASE
    WHEN n.number = 1 THEN encode(sha256(convert_to(n.bench, 'UTF8')), 'hex')
    ELSE (SELECT p.seal FROM seathold.records p WHERE p.bench = n.bench AND p.number = n.number - 1)
  END
  ORDER BY n.number LIMIT 1;
  IF FOUND THEN
    RAISE EXCEPTION 'record % of bench % does not follow the record before it', wrong.number, wrong.bench
      USING ERRCODE = 'integrity_constraint_violation';
  END IF;
  RETURN NULL;
END
$$;
CREATE TRIGGER records_follow AFTER INSERT ON seathold.records
  REFERENCING NEW TABLE AS added FOR EACH STATEMENT EXECUTE FUNCTION seathold.follow();

DO $$
DECLARE
  kept text;
BEGIN
  FOREACH kept IN ARRAY ARRAY['records', 'runs', 'sides', 'notes', 'recordings', 'recipes', 'rigs', 'calibrations', 'heads'] LOOP
    EXECUTE format('CREATE TRIGGER %I BEFORE UPDATE OR DELETE OR TRUNCATE ON seathold.%I
      FOR EACH STATEMENT EXECUTE FUNCTION seathold.refuse()', kept || '_stay', kept);
    EXECUTE format('ALTER TABLE seathold.%I ENABLE ROW LEVEL SECURITY', kept);
    EXECUTE format('CREATE POLICY own_rows_read ON seathold.%I FOR SELECT TO seathold_bench
      USING (bench IN (SELECT b.bench FROM seathold.benches b WHERE b.role = current_user))', kept);
    EXECUTE format('CREATE POLICY own_rows_add ON seathold.%I FOR INSERT TO seathold_bench
      WITH CHECK (bench IN (SELECT b.bench FROM seathold.benches b WHERE b.role = current_user))', kept);
    EXECUTE format('CREATE POLICY all_rows_read ON seathold.%I FOR SELECT TO seathold_office USING (true)', kept);
  END LOOP;
END
$$;
CREATE TRIGGER benches_stay BEFORE DELETE OR TRUNCATE ON seathold.benches
  FOR EACH STATEMENT EXECUTE FUNCTION seathold.refuse();
ALTER TABLE seathold.benches ENABLE ROW LEVEL SECURITY;
CREATE POLICY own_rows_read ON seathold.benches FOR SELECT TO seathold_bench USING (role = current_user);
CREATE POLICY own_rows_add ON seathold.benches FOR INSERT TO seathold_bench WITH CHECK (role = current_user);
CREATE POLICY all_rows_read ON seathold.benches FOR SELECT TO seathold_office USING (true);

-- A bench adds and reads what is its own; who it is and when it was enters the server. The office reads everything.
GRANT USAGE ON SCHEMA seathold TO seathold_bench, seathold_office;
GRANT SELECT ON ALL TABLES IN SCHEMA seathold TO seathold_bench, seathold_office;
GRANT INSERT (bench, name) ON seathold.benches TO seathold_bench;
GRANT INSERT (bench, number, word, previous, seal, key, signature) ON seathold.records TO seathold_bench;
GRANT INSERT (bench, number, seal) ON seathold.heads TO seathold_bench;
GRANT INSERT ON seathold.runs, seathold.sides, seathold.notes, seathold.recordings, seathold.recipes, seathold.rigs,
  seathold.calibrations TO seathold_bench;

INSERT INTO seathold.version (version) VALUES (1);
