-- The log of one site's contacts. All times are integers of nanoseconds.
-- mono_ns, first_ns, last_ns: CLOCK_MONOTONIC of the boot that the session
-- ran in; only times of one boot may be subtracted. wall_ns: Unix time (UTC)
-- as the clock was set then, a label only. Run time = mono_ns +
-- sessions.offset_ns: it begins at 0 with the run and goes on through
-- restarts and reboots. The views at the end show times as text.

CREATE TABLE runs (
  id            INTEGER PRIMARY KEY,
  site          TEXT NOT NULL,
  began_wall_ns INTEGER NOT NULL
) STRICT;

-- One start of the program within a run.
CREATE TABLE sessions (
  id            INTEGER PRIMARY KEY,
  run           INTEGER NOT NULL REFERENCES runs,
  token         TEXT NOT NULL,         -- random
  boot          TEXT NOT NULL,         -- the kernel's boot id
  program       TEXT NOT NULL,         -- version
  offset_ns     INTEGER NOT NULL,      -- run time less mono_ns
  start_ns      INTEGER NOT NULL,      -- mono_ns
  start_wall_ns INTEGER NOT NULL,
  alive_ns      INTEGER NOT NULL,      -- mono_ns of the latest commit
  alive_wall_ns INTEGER NOT NULL,
  commits       INTEGER NOT NULL,
  ended         INTEGER NOT NULL       -- 1: stopped in good order
) STRICT;

-- What ties the monotonic clock to the wall clock: at a session's start,
-- whenever the wall clock was stepped or its steering changed, and hourly.
CREATE TABLE clocks (
  session            INTEGER NOT NULL REFERENCES sessions,
  mono_ns            INTEGER NOT NULL,
  wall_ns            INTEGER NOT NULL,
  within_ns          INTEGER NOT NULL,  -- how far apart the two may have been read
  synchronised       INTEGER NOT NULL,  -- 1: the kernel says that the clock is steered
  frequency_ppm      REAL NOT NULL,     -- correction in force
  slew_ppm           REAL NOT NULL,     -- rate at which a known offset is removed
  estimated_error_ns INTEGER NOT NULL,
  max_error_ns       INTEGER NOT NULL,
  PRIMARY KEY (session, mono_ns)
) STRICT, WITHOUT ROWID;

CREATE TABLE contacts (
  id   INTEGER PRIMARY KEY,
  name TEXT NOT NULL UNIQUE
) STRICT;

-- A contact's configuration from then on; a new row when it changes.
CREATE TABLE configurations (
  id       INTEGER PRIMARY KEY,
  contact  INTEGER NOT NULL REFERENCES contacts,
  session  INTEGER NOT NULL REFERENCES sessions,
  mono_ns  INTEGER NOT NULL,
  wall_ns  INTEGER NOT NULL,
  source   TEXT NOT NULL,  -- where its edges come from
  kind     TEXT NOT NULL,  -- dial, interrupter or auto
  closed   TEXT NOT NULL,  -- level that means closed: high or low
  settings TEXT NOT NULL CHECK (json_valid(settings))
) STRICT;

-- Consecutive edges of one contact in one session, exact to the ns.
-- id = contact * 2^32 + the block's number; numbers count from 1 without a
-- gap, so a number missing in the middle is damage, and numbers missing at
-- the start were removed by retention. The latest block of a contact is
-- written anew with each commit until it is full.
CREATE TABLE edge_blocks (
  id       INTEGER PRIMARY KEY,
  contact  INTEGER NOT NULL REFERENCES contacts,
  session  INTEGER NOT NULL REFERENCES sessions,
  first_ns INTEGER NOT NULL,  -- its first edge
  last_ns  INTEGER NOT NULL,  -- its last edge
  edges    INTEGER NOT NULL,
  data     BLOB NOT NULL      -- coded edges with a CRC-32C, see the program's source
) STRICT;
CREATE INDEX edge_block_times ON edge_blocks (contact, session, first_ns);

-- What one contact did in one minute, or a part of one.
CREATE TABLE summaries (
  contact           INTEGER NOT NULL REFERENCES contacts,
  session           INTEGER NOT NULL REFERENCES sessions,
  mono_ns           INTEGER NOT NULL,  -- start
  wall_ns           INTEGER NOT NULL,
  length_ns         INTEGER NOT NULL,  -- time in which the source was up
  edges             INTEGER NOT NULL,
  lost              INTEGER NOT NULL,  -- edges
  pulses            INTEGER NOT NULL,  -- of a dial, or cycles
  missing           INTEGER NOT NULL,  -- interruptions
  extra             INTEGER NOT NULL,
  chatter           INTEGER NOT NULL,
  bounced           INTEGER NOT NULL,  -- transitions with bounce
  out_of_limit      INTEGER NOT NULL,  -- pulses or cycles
  periods           INTEGER NOT NULL,  -- those that the next columns are of
  period_sum_ns     INTEGER NOT NULL,
  period_squares    REAL NOT NULL,     -- sum of squared differences from their mean, ns²
  period_min_ns     INTEGER,
  period_max_ns     INTEGER,
  breaks            INTEGER NOT NULL,
  break_sum_ns      INTEGER NOT NULL,
  break_squares     REAL NOT NULL,
  break_min_ns      INTEGER,
  break_max_ns      INTEGER,
  period_breaks_ns  INTEGER NOT NULL,  -- sum of the breaks that belong to the periods: percent break = 100 * this / period_sum_ns
  bounce_max_ns     INTEGER,
  interdigit_min_ns INTEGER,
  PRIMARY KEY (contact, session, mono_ns)
) STRICT, WITHOUT ROWID;

-- What was found to be wrong or worth knowing.
CREATE TABLE findings (
  id      INTEGER PRIMARY KEY,
  session INTEGER NOT NULL REFERENCES sessions,
  contact INTEGER REFERENCES contacts,  -- NULL: about the log or the site
  kind    TEXT NOT NULL,
  mono_ns INTEGER NOT NULL,
  wall_ns INTEGER NOT NULL,
  text    TEXT NOT NULL,
  detail  TEXT CHECK (json_valid(detail))
) STRICT;
CREATE INDEX finding_times ON findings (session, mono_ns);

-- Remarks by people.
CREATE TABLE notes (
  id      INTEGER PRIMARY KEY,
  session INTEGER NOT NULL REFERENCES sessions,
  contact INTEGER REFERENCES contacts,  -- NULL: about the site
  state   TEXT NOT NULL CHECK (state IN ('', 'as found', 'as left')),
  mono_ns INTEGER NOT NULL,
  wall_ns INTEGER NOT NULL,
  text    TEXT NOT NULL
) STRICT;

-- Soak tests: a stretch of the log with a result.
CREATE TABLE soaks (
  id            INTEGER PRIMARY KEY,
  contact       INTEGER REFERENCES contacts,  -- NULL: all of them
  title         TEXT NOT NULL,
  profile       TEXT NOT NULL,                -- limits as JSON, or their id; may be empty
  note          TEXT NOT NULL,
  begin_session INTEGER NOT NULL REFERENCES sessions,
  begin_ns      INTEGER NOT NULL,
  begin_wall_ns INTEGER NOT NULL,
  end_session   INTEGER REFERENCES sessions,  -- NULL: still going on
  end_ns        INTEGER,
  end_wall_ns   INTEGER,
  result        TEXT CHECK (json_valid(result))
) STRICT;

-- Readable views. Times are UTC.

CREATE VIEW session_times AS
SELECT s.id, r.site, s.run,
  strftime('%Y-%m-%d %H:%M:%f', s.start_wall_ns / 1e9, 'unixepoch') AS start,
  strftime('%Y-%m-%d %H:%M:%f', s.alive_wall_ns / 1e9, 'unixepoch') AS alive,
  (s.start_ns + s.offset_ns) / 1e9 AS start_run_s,
  (s.alive_ns + s.offset_ns) / 1e9 AS alive_run_s,
  (s.start_ns + s.offset_ns - lag(s.alive_ns + s.offset_ns) OVER (PARTITION BY s.run ORDER BY s.id)) / 1e9 AS gap_before_s,
  s.ended, s.program, s.boot
FROM sessions s JOIN runs r ON r.id = s.run;

CREATE VIEW edge_block_spans AS
SELECT b.id, c.name AS contact, b.session, b.edges, length(b.data) AS bytes,
  strftime('%Y-%m-%d %H:%M:%f', (b.first_ns + (
    SELECT k.wall_ns - k.mono_ns FROM clocks k
    WHERE k.session = b.session AND k.mono_ns <= max(b.first_ns, s.start_ns)
    ORDER BY k.mono_ns DESC LIMIT 1)) / 1e9, 'unixepoch') AS first,
  (b.last_ns - b.first_ns) / 1e9 AS length_s,
  (b.first_ns + s.offset_ns) / 1e9 AS first_run_s
FROM edge_blocks b JOIN contacts c ON c.id = b.contact JOIN sessions s ON s.id = b.session;

CREATE VIEW summary_figures AS
SELECT c.name AS contact,
  strftime('%Y-%m-%d %H:%M:%f', m.wall_ns / 1e9, 'unixepoch') AS start,
  m.length_ns / 1e9 AS length_s, m.edges, m.lost, m.pulses, m.missing, m.extra, m.chatter, m.out_of_limit,
  1e9 * m.periods / nullif(m.period_sum_ns, 0) AS rate_per_s,
  100.0 * m.period_breaks_ns / nullif(m.period_sum_ns, 0) AS break_percent,
  m.break_sum_ns / 1e6 / nullif(m.breaks, 0) AS break_ms,
  m.bounce_max_ns / 1e6 AS bounce_max_ms, m.interdigit_min_ns / 1e6 AS interdigit_min_ms
FROM summaries m JOIN contacts c ON c.id = m.contact;

CREATE VIEW finding_list AS
SELECT f.id, strftime('%Y-%m-%d %H:%M:%f', f.wall_ns / 1e9, 'unixepoch') AS time,
  c.name AS contact, f.kind, f.text, f.detail
FROM findings f LEFT JOIN contacts c ON c.id = f.contact;

CREATE VIEW note_list AS
SELECT n.id, strftime('%Y-%m-%d %H:%M:%f', n.wall_ns / 1e9, 'unixepoch') AS time,
  c.name AS contact, n.state, n.text
FROM notes n LEFT JOIN contacts c ON c.id = n.contact;
