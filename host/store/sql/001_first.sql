-- The first layout. docs/store.md says what every column means and how the digests are chained.
-- A file of this table set is never altered by a later one: numbered files are only added.

CREATE TABLE runs (
    number INTEGER NOT NULL PRIMARY KEY,
    head   TEXT    NOT NULL,
    digest BLOB    NOT NULL
) STRICT;

CREATE TABLE entries (
    run    INTEGER NOT NULL REFERENCES runs (number),
    seq    INTEGER NOT NULL,
    kind   TEXT    NOT NULL,
    body   TEXT    NOT NULL,
    digest BLOB    NOT NULL,
    PRIMARY KEY (run, seq)
) STRICT, WITHOUT ROWID;

CREATE TABLE chunks (
    run        INTEGER NOT NULL REFERENCES runs (number),
    seq        INTEGER NOT NULL,
    channel    TEXT    NOT NULL,
    first_tick INTEGER NOT NULL,
    first_us   INTEGER,
    count      INTEGER NOT NULL,
    codec      INTEGER NOT NULL,
    blob       BLOB    NOT NULL,
    digest     BLOB    NOT NULL,
    PRIMARY KEY (run, seq)
) STRICT, WITHOUT ROWID;

CREATE TABLE seals (
    run    INTEGER NOT NULL PRIMARY KEY REFERENCES runs (number),
    seq    INTEGER NOT NULL,
    body   TEXT    NOT NULL,
    digest BLOB    NOT NULL
) STRICT;
