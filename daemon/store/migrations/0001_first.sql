-- The first tables. A landed migration is never edited: what changes comes as a file with the next number.
--
-- Records are append-only and never updated. Every record, reading or event, has one ever-growing number n, given
-- in the order the core made it. Cursors follow n; time is never a key, because after a step back it repeats.
-- The id that leaves the house is (run, count): it is known before the commit, n is not.
-- Counts of the core begin at 1; a count below 0 marks an event the store made about itself.
--
-- Foreign keys are told in comments and not enforced: the one writer makes both ends in one transaction, and a
-- check for each reading would cost more than writing it.

-- What was done to this file, by which text.
CREATE TABLE migration (
    number  INTEGER PRIMARY KEY,
    name    TEXT NOT NULL,
    sha256  TEXT NOT NULL,
    wall_ns INTEGER NOT NULL            -- as the clock stood, right or wrong
) STRICT;

-- What a watcher watched, as canonical JSON, once for each text.
CREATE TABLE plan (
    sha256 TEXT PRIMARY KEY,
    body   TEXT NOT NULL
) STRICT;

-- One start of a watcher. On disk before its first sample; AUTOINCREMENT, so that no number comes twice.
CREATE TABLE run (
    run          INTEGER PRIMARY KEY AUTOINCREMENT,
    boot         TEXT NOT NULL,
    monotonic_ns INTEGER NOT NULL,
    wall_ns      INTEGER NOT NULL,
    clock_known  INTEGER NOT NULL,
    software     TEXT NOT NULL,
    plan         TEXT NOT NULL,         -- plan.sha256
    first_n      INTEGER NOT NULL,      -- the number its first record gets
    first_person INTEGER NOT NULL,      -- the number its first new person gets
    inspect      INTEGER NOT NULL       -- 1: the file had to be checked, because the run before ended uncleanly
) STRICT;

-- A clean stop, everything on disk. A run without such a row was killed or lost power.
CREATE TABLE run_end (
    run          INTEGER PRIMARY KEY,   -- run.run
    monotonic_ns INTEGER NOT NULL,
    wall_ns      INTEGER NOT NULL,
    last_n       INTEGER NOT NULL,
    inspected    INTEGER NOT NULL       -- 0: a check was due and did not come to its end
) STRICT;

-- A channel together with the conversion in force: values are computed from raw by this when they are read.
CREATE TABLE series (
    id      INTEGER PRIMARY KEY,
    channel TEXT NOT NULL,
    spec    TEXT NOT NULL,              -- canonical JSON
    UNIQUE (channel, spec)
) STRICT;

-- One row for each commit: numbers first..last were on disk when the clocks stood so. The time of a record is the
-- wall time here less the monotonic difference.
CREATE TABLE commit_span (
    first        INTEGER PRIMARY KEY,
    last         INTEGER NOT NULL,
    run          INTEGER NOT NULL,      -- run.run
    monotonic_ns INTEGER NOT NULL,
    wall_ns      INTEGER NOT NULL,
    clock_known  INTEGER NOT NULL
) STRICT;

-- The first pair of clocks of each boot after the wall clock was set: puts right what was stamped before it.
CREATE TABLE clock_set (
    boot         TEXT PRIMARY KEY,
    n            INTEGER NOT NULL,      -- commit_span.first of the commit that saw it
    monotonic_ns INTEGER NOT NULL,
    wall_ns      INTEGER NOT NULL
) STRICT;

-- Raw values with what was given and what was judged. No second index: it would cost ten times the writing.
CREATE TABLE reading (
    n            INTEGER PRIMARY KEY,
    count        INTEGER NOT NULL,
    series       INTEGER NOT NULL,      -- series.id
    monotonic_ns INTEGER NOT NULL,
    raw          ANY,                   -- INTEGER or REAL in the device's own step; NULL: no value
    given        INTEGER,               -- the driver's reason, by number; NULL: none
    reason       INTEGER                -- the reason after judgement; NULL: good
) STRICT;

CREATE TABLE event (
    n            INTEGER PRIMARY KEY,
    count        INTEGER NOT NULL,
    monotonic_ns INTEGER NOT NULL,
    kind         TEXT NOT NULL,         -- alarm, bench, due, command, clock, run
    subject      TEXT NOT NULL,
    body         TEXT NOT NULL          -- canonical JSON
) STRICT;

-- The last state of every alarm is wanted at each start, without reading years of events.
-- What a start restores: the last event of every alarm and bench, and the last commands.
CREATE INDEX event_of_alarm ON event (subject, n) WHERE kind = 'alarm';
CREATE INDEX event_of_bench ON event (subject, n) WHERE kind = 'bench';
CREATE INDEX event_of_command ON event (subject, n) WHERE kind = 'command';

CREATE VIEW alarm AS
SELECT n,
       count,
       monotonic_ns,
       subject                              AS alarm,
       json_extract(body, '$.channel')      AS channel,
       json_extract(body, '$.limit')        AS limit_name,
       json_extract(body, '$.from')         AS from_state,
       json_extract(body, '$.to')           AS to_state,
       json_extract(body, '$.cause')        AS cause,
       json_extract(body, '$.priority')     AS priority,
       json_extract(body, '$.condition')    AS condition,
       json_extract(body, '$.value')        AS value,
       json_extract(body, '$.u')            AS u,
       json_extract(body, '$.sense')        AS sense,
       json_extract(body, '$.unit')         AS unit,
       json_extract(body, '$.requirement')  AS requirement,
       json_extract(body, '$.bound')        AS bound,
       json_extract(body, '$.reason')       AS reason
  FROM event
 WHERE kind = 'alarm';

-- How far each sink has confirmed each stream. Not a record: it moves.
CREATE TABLE cursor (
    sink   TEXT NOT NULL,
    stream TEXT NOT NULL,               -- events, readings
    n      INTEGER NOT NULL,
    PRIMARY KEY (sink, stream)
) STRICT, WITHOUT ROWID;

-- Records a far end refused for good.
CREATE TABLE set_aside (
    sink         TEXT NOT NULL,
    stream       TEXT NOT NULL,
    n            INTEGER NOT NULL,
    why          TEXT NOT NULL,
    run          INTEGER NOT NULL,      -- the run that gave up on it
    monotonic_ns INTEGER NOT NULL,
    wall_ns      INTEGER NOT NULL,
    PRIMARY KEY (sink, stream, n)
) STRICT, WITHOUT ROWID;

-- The only place where a name stands; records hold the id.
CREATE TABLE people (
    id   TEXT PRIMARY KEY,
    name TEXT NOT NULL UNIQUE
) STRICT, WITHOUT ROWID;
