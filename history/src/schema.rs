//! The tables, and the version of their layout.

/// Version of the layout, kept in SQLite's `user_version`.
pub const VERSION: i64 = 3;

/// "isob" as SQLite's `application_id`.
pub(crate) const APPLICATION: i64 = 0x6973_6f62;

/// Everything. Ingest touches `log` alone; the partial index and `late`
/// get a row only for what is rare. `week` stands where adding it to a table of before puts
/// it: the layout is compared to the letter. Being 0 or 1 it has no bytes behind the body, so
/// that it is told without reading the body's pages.
pub(crate) const TABLES: &str = "
CREATE TABLE log (
    number INTEGER PRIMARY KEY,
    kind INTEGER NOT NULL,
    received INTEGER NOT NULL,
    walked INTEGER NOT NULL,
    first INTEGER,
    last INTEGER,
    body BLOB NOT NULL
);
CREATE INDEX log_rare ON log (kind, number) WHERE kind > 1;
CREATE TABLE late (
    day INTEGER NOT NULL,
    number INTEGER NOT NULL,
    PRIMARY KEY (day, number)
) WITHOUT ROWID;
CREATE TABLE property (uuid TEXT NOT NULL, version INTEGER NOT NULL);
CREATE TABLE station (number INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE);
CREATE TABLE channel (
    number INTEGER PRIMARY KEY,
    station TEXT NOT NULL,
    name TEXT NOT NULL,
    unit TEXT NOT NULL,
    UNIQUE (station, name, unit)
);
CREATE TABLE series (
    number INTEGER PRIMARY KEY,
    station TEXT NOT NULL,
    instrument TEXT NOT NULL,
    quantity TEXT NOT NULL,
    statistic TEXT NOT NULL,
    over INTEGER,
    period INTEGER,
    unit TEXT NOT NULL,
    decimals INTEGER NOT NULL
);
CREATE TABLE source (number INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE);
CREATE TABLE sensor (number INTEGER PRIMARY KEY, serial TEXT NOT NULL UNIQUE);
CREATE TABLE placement (
    number INTEGER PRIMARY KEY,
    sensor INTEGER NOT NULL REFERENCES sensor,
    since INTEGER NOT NULL,
    station TEXT NOT NULL,
    instrument TEXT NOT NULL,
    UNIQUE (sensor, since, station, instrument)
);
CREATE TABLE state (
    name TEXT PRIMARY KEY,
    version INTEGER NOT NULL,
    fingerprint INTEGER NOT NULL,
    number INTEGER NOT NULL,
    body BLOB NOT NULL,
    checksum INTEGER NOT NULL
) WITHOUT ROWID;
CREATE TABLE set_aside (
    id INTEGER PRIMARY KEY,
    number INTEGER NOT NULL,
    station TEXT NOT NULL,
    reason TEXT NOT NULL,
    received INTEGER NOT NULL,
    body BLOB NOT NULL,
    taken INTEGER
);
CREATE INDEX set_aside_by_station ON set_aside (station, reason);
CREATE TABLE cursor (
    forwarder TEXT PRIMARY KEY,
    delivered INTEGER NOT NULL,
    given_up INTEGER NOT NULL DEFAULT 0
) WITHOUT ROWID;
CREATE TABLE gap (
    forwarder TEXT NOT NULL,
    first INTEGER NOT NULL,
    last INTEGER NOT NULL,
    PRIMARY KEY (forwarder, first)
) WITHOUT ROWID;
CREATE TABLE dead_letter (
    id INTEGER PRIMARY KEY,
    forwarder TEXT NOT NULL,
    number INTEGER NOT NULL,
    place INTEGER NOT NULL,
    time INTEGER NOT NULL,
    status INTEGER NOT NULL,
    answer TEXT NOT NULL
);
CREATE TABLE block (
    number INTEGER PRIMARY KEY,
    station INTEGER NOT NULL,
    day INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    lowest INTEGER NOT NULL,
    highest INTEGER NOT NULL,
    body BLOB NOT NULL
, week INTEGER NOT NULL DEFAULT 0);
CREATE TABLE token (
    id INTEGER PRIMARY KEY,
    gateway INTEGER NOT NULL,
    owner TEXT NOT NULL,
    hash BLOB NOT NULL UNIQUE,
    created INTEGER NOT NULL,
    revoked INTEGER
);
CREATE TABLE suffix (source TEXT PRIMARY KEY, suffix TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE damaged (
    number INTEGER NOT NULL,
    found INTEGER NOT NULL,
    kind, received, walked, first, last, body
);
CREATE TABLE hole (first INTEGER PRIMARY KEY, last INTEGER NOT NULL, found INTEGER NOT NULL);
CREATE TABLE sealed (day INTEGER PRIMARY KEY, through INTEGER NOT NULL);
CREATE TABLE trimmed (through INTEGER NOT NULL);
CREATE TABLE damaged_block (
    number INTEGER NOT NULL,
    found INTEGER NOT NULL,
    station, day, revision, lowest, highest, body
, week);
";

/// What leads from each version to the next; the first is from 1 to 2. In version 1 the
/// table `block` was there but always empty, in version 2 it held days only.
pub(crate) const STEPS: [&str; 2] = [
    "
CREATE TABLE sealed (day INTEGER PRIMARY KEY, through INTEGER NOT NULL);
CREATE TABLE trimmed (through INTEGER NOT NULL);
CREATE TABLE damaged_block (
    number INTEGER NOT NULL,
    found INTEGER NOT NULL,
    station, day, revision, lowest, highest, body
);
",
    "
ALTER TABLE block ADD COLUMN week INTEGER NOT NULL DEFAULT 0;
ALTER TABLE damaged_block ADD COLUMN week;
",
];
