"""The schema as named steps. Each runs once, in one transaction, and leaves a row that says so.

The first step is the whole schema of version 1 as one readable text; later steps change it and never edit an earlier
one. Before a step changes an existing catalogue, a copy of it is kept beside it (`catalogue.before-<step>.db`).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

SCHEMA_1 = """
CREATE TABLE decision (
    seq     INTEGER PRIMARY KEY,           -- 1, 2, 3 … in the order of commit, without holes
    uid     TEXT NOT NULL UNIQUE,
    at      TEXT NOT NULL,                 -- RFC 3339, UTC
    by      TEXT NOT NULL,
    kind    TEXT NOT NULL,
    body    TEXT NOT NULL,                 -- JSON
    undoes  TEXT REFERENCES decision(uid), -- the decision that this one takes back
    undone  INTEGER NOT NULL DEFAULT 0     -- 1 while another decision takes this one back
) STRICT;
CREATE INDEX decision_kind ON decision(kind, seq);
CREATE TABLE decision_subject (            -- which pictures, openings, cameras … a decision is about
    subject TEXT NOT NULL,
    seq     INTEGER NOT NULL REFERENCES decision(seq),
    PRIMARY KEY (subject, seq)
) STRICT, WITHOUT ROWID;

CREATE TABLE medium (                      -- one photo, clip or caption file, by content
    sha256      TEXT PRIMARY KEY,
    kind        TEXT NOT NULL CHECK (kind IN ('photo', 'clip', 'captions')),
    format      TEXT NOT NULL,
    file        TEXT NOT NULL,             -- its own name
    stored      TEXT NOT NULL,             -- relative to the archive, or absolute where left in place
    in_place    INTEGER NOT NULL,
    size_bytes  INTEGER NOT NULL,
    mtime_ns    INTEGER NOT NULL,
    width       INTEGER NOT NULL,          -- upright
    height      INTEGER NOT NULL,
    orientation INTEGER NOT NULL,
    make        TEXT NOT NULL,
    model       TEXT NOT NULL,
    serial      TEXT NOT NULL,
    camera      TEXT NOT NULL,             -- the key that clock corrections use
    claims      TEXT NOT NULL,             -- JSON: every claim of the time, as it was said
    facts       TEXT NOT NULL,             -- JSON
    warnings    TEXT NOT NULL,             -- JSON
    duration_ms INTEGER,
    pair_id     TEXT NOT NULL,
    belongs_to  TEXT,                      -- captions: their clip; a motion clip: its photo
    shown       INTEGER NOT NULL
) STRICT;
CREATE INDEX medium_belongs ON medium(belongs_to) WHERE belongs_to IS NOT NULL;
CREATE INDEX medium_pair ON medium(pair_id) WHERE pair_id <> '';
CREATE INDEX medium_file ON medium(file);
CREATE TABLE sighting (                    -- where each content was met, so that meeting it again costs nothing
    path       TEXT NOT NULL,
    sha256     TEXT NOT NULL,
    size_bytes INTEGER NOT NULL,
    mtime_ns   INTEGER NOT NULL,
    seq        INTEGER NOT NULL,           -- the decision that says so; the last one of a path is what lies there
    folders    TEXT NOT NULL,              -- JSON: names of the folders it lay in, from the one that was given down
    PRIMARY KEY (path, sha256)
) STRICT, WITHOUT ROWID;
CREATE INDEX sighting_content ON sighting(sha256);
CREATE TABLE problem (                     -- files that could not be used, or only in part
    path   TEXT PRIMARY KEY,
    reason TEXT NOT NULL,
    hint   TEXT NOT NULL,
    kept   INTEGER NOT NULL,
    at     TEXT NOT NULL
) STRICT;
CREATE TABLE cue (
    sha256   TEXT NOT NULL REFERENCES medium(sha256),  -- of the caption file
    n        INTEGER NOT NULL,
    start_ms INTEGER NOT NULL,
    end_ms   INTEGER NOT NULL,
    text     TEXT NOT NULL,
    PRIMARY KEY (sha256, n)
) STRICT, WITHOUT ROWID;

CREATE TABLE picture (
    rid         INTEGER PRIMARY KEY,
    id          TEXT NOT NULL UNIQUE,
    kind        TEXT NOT NULL CHECK (kind IN ('photo', 'still')),
    sha256      TEXT NOT NULL REFERENCES medium(sha256),
    clip_ms     INTEGER,
    width       INTEGER NOT NULL,
    height      INTEGER NOT NULL,
    taken_ms    INTEGER,                   -- milliseconds since 1970, UTC; NULL: not known
    earliest_ms INTEGER,
    latest_ms   INTEGER,
    basis       TEXT NOT NULL,
    why         TEXT NOT NULL,
    sharpness   REAL,
    phash       INTEGER,                   -- the 64 bits as a signed integer
    mean_luma   REAL,
    thumb       TEXT NOT NULL,
    page        TEXT NOT NULL,
    hold_ms     INTEGER NOT NULL,
    chosen      TEXT NOT NULL,             -- why a still was chosen; '' for photos
    group_id    INTEGER,                   -- the lowest rid of its group of near-duplicates; NULL: alone
    caption     TEXT NOT NULL DEFAULT '',
    spoken      TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX picture_medium ON picture(sha256, clip_ms);
CREATE INDEX picture_taken ON picture(taken_ms);
CREATE INDEX picture_group ON picture(group_id) WHERE group_id IS NOT NULL;
CREATE TABLE proposal (
    rid        INTEGER NOT NULL REFERENCES picture(rid),
    dimension  TEXT NOT NULL,
    target     TEXT NOT NULL,
    source     TEXT NOT NULL,
    confidence REAL NOT NULL,
    evidence   TEXT NOT NULL,
    PRIMARY KEY (rid, dimension, target, source)
) STRICT, WITHOUT ROWID;
CREATE TABLE tag (                         -- what stands, folded from proposals and decisions
    rid        INTEGER NOT NULL REFERENCES picture(rid),
    dimension  TEXT NOT NULL,
    target     TEXT NOT NULL,
    state      TEXT NOT NULL CHECK (state IN ('set', 'proposed', 'rejected')),
    by         TEXT NOT NULL,
    why        TEXT NOT NULL,
    confidence REAL NOT NULL,
    counts     INTEGER NOT NULL,           -- 1: answers use it
    PRIMARY KEY (rid, dimension, target)
) STRICT, WITHOUT ROWID;
CREATE INDEX tag_target ON tag(dimension, target, counts, rid);

CREATE TABLE closing (                     -- folded from close and reopen decisions
    uid           TEXT PRIMARY KEY REFERENCES decision(uid),
    opening       TEXT NOT NULL,
    closed_ms     INTEGER NOT NULL,
    earliest_ms   INTEGER NOT NULL,
    latest_ms     INTEGER NOT NULL,
    why           TEXT NOT NULL,
    method        TEXT NOT NULL,
    by            TEXT NOT NULL,
    reopened_uid  TEXT REFERENCES decision(uid),
    reopened_ms   INTEGER,
    reopened_earliest_ms INTEGER,
    reopened_latest_ms   INTEGER,
    reopened_why  TEXT
) STRICT;
CREATE INDEX closing_opening ON closing(opening, closed_ms);

CREATE TABLE unindexed (rid INTEGER PRIMARY KEY) STRICT;  -- pictures whose words the text index has yet to learn
CREATE TABLE counter (name TEXT PRIMARY KEY, value INTEGER NOT NULL) STRICT, WITHOUT ROWID;
-- They start anywhere, so that a catalogue that takes another's place is never mistaken for it.
INSERT INTO counter SELECT name, abs(random() % 1000000000) * 1000
    FROM (SELECT 'times' AS name UNION SELECT 'tags' UNION SELECT 'plan');
"""


def schema_1(connection: sqlite3.Connection) -> None:
    """The first schema."""
    for statement in _statements(SCHEMA_1):
        connection.execute(statement)


SCHEMA_2 = """
CREATE TABLE caption_of (                  -- captions beside a clip: what was met last at a path counts
    path   TEXT NOT NULL,
    clip   TEXT NOT NULL,
    sha256 TEXT NOT NULL,                  -- of the caption file
    PRIMARY KEY (path, clip)
) STRICT, WITHOUT ROWID;
CREATE INDEX caption_of_clip ON caption_of(clip);
INSERT INTO caption_of
    SELECT s.path, m.belongs_to, s.sha256 FROM sighting s JOIN medium m USING (sha256)
    WHERE m.kind = 'captions' AND m.belongs_to IS NOT NULL
      AND s.seq = (SELECT MAX(seq) FROM sighting t WHERE t.path = s.path);
CREATE TABLE pending (work TEXT PRIMARY KEY) STRICT, WITHOUT ROWID;  -- what a stopped ingest has left to be done
INSERT INTO pending VALUES ('grouping');
CREATE INDEX medium_camera ON medium(camera);
"""


def schema_2(connection: sqlite3.Connection) -> None:
    """Captions may belong to several clips and be replaced; a stopped ingest leaves word of what it owes."""
    for statement in _statements(SCHEMA_2):
        connection.execute(statement)


SCHEMA_LIKENESS = """
CREATE TABLE resemblance (                 -- two pictures that look alike, both ways; by id, since rows may change
    one      TEXT NOT NULL,
    other    TEXT NOT NULL,
    agreeing INTEGER NOT NULL,             -- how many places lie alike in both
    PRIMARY KEY (one, other)
) STRICT, WITHOUT ROWID;
CREATE TABLE compared (                    -- which pictures were compared: all 'tagged' ones with all 'other' ones
    picture TEXT NOT NULL,
    role    TEXT NOT NULL CHECK (role IN ('tagged', 'other')),
    PRIMARY KEY (picture, role)
) STRICT, WITHOUT ROWID;
"""


def likeness(connection: sqlite3.Connection) -> None:
    """Pictures that look alike, as far as they were compared."""
    for statement in _statements(SCHEMA_LIKENESS):
        connection.execute(statement)


SCHEMA_CODES = """
CREATE TABLE code (                        -- QR codes and markers that were read in a picture
    rid      INTEGER NOT NULL REFERENCES picture(rid),
    n        INTEGER NOT NULL,
    kind     TEXT NOT NULL,
    text     TEXT NOT NULL,
    corners  TEXT NOT NULL,                -- JSON: four times x, y in pixels of the upright picture at full size
    sure     REAL NOT NULL,
    mirrored INTEGER NOT NULL,
    PRIMARY KEY (rid, n)
) STRICT, WITHOUT ROWID;
CREATE INDEX code_text ON code(text);
CREATE TABLE codes_to_read (rid INTEGER PRIMARY KEY) STRICT;  -- pictures that have yet to be searched for codes
INSERT INTO codes_to_read SELECT rid FROM picture;
CREATE TABLE fitted_clock (                -- how a camera's clock stands by its pictures of the clock card
    camera TEXT NOT NULL,
    n      INTEGER NOT NULL,
    body   TEXT NOT NULL,                  -- JSON: one correction
    PRIMARY KEY (camera, n)
) STRICT, WITHOUT ROWID;
CREATE INDEX decision_arrival ON decision(json_extract(body, '$.sha256')) WHERE kind = 'arrival';
ALTER TABLE medium ADD COLUMN arrived_ms INTEGER;  -- when it came in: what it says of a later time cannot be
UPDATE medium SET arrived_ms = (
    SELECT CAST(round((julianday(MIN(d.at)) - 2440587.5) * 86400000) AS INTEGER) FROM decision d
    WHERE d.kind = 'arrival' AND json_extract(d.body, '$.sha256') = medium.sha256);
"""


def codes(connection: sqlite3.Connection) -> None:
    """Codes in pictures, and what the clock cards among them say of the cameras."""
    for statement in _statements(SCHEMA_CODES):
        connection.execute(statement)


SCHEMA_CHANGES = """
CREATE TABLE tag_change (                  -- for which picture the counter 'tags' was counted up to a version
    version INTEGER PRIMARY KEY,
    rid     INTEGER NOT NULL
) STRICT;
CREATE INDEX medium_kind ON medium(kind, belongs_to);
CREATE INDEX picture_kind ON picture(kind);
"""


def changes(connection: sqlite3.Connection) -> None:
    """Which pictures' tags have changed lately, and what the counts on every page are read from."""
    for statement in _statements(SCHEMA_CHANGES):
        connection.execute(statement)


SCHEMA_CLOSINGS = """
INSERT OR IGNORE INTO counter VALUES ('closings', abs(random() % 1000000000) * 1000);
"""


def closings(connection: sqlite3.Connection) -> None:
    """Closings have a counter of their own: what is kept of pictures outlives them."""
    for statement in _statements(SCHEMA_CLOSINGS):
        connection.execute(statement)


SCHEMA_TIME_CHANGES = """
CREATE TABLE time_change (                 -- for which picture the counter 'times' was counted up to a version
    version INTEGER PRIMARY KEY,
    rid     INTEGER NOT NULL               -- -1: for none
) STRICT;
"""


def time_changes(connection: sqlite3.Connection) -> None:
    """Which pictures' times have changed lately, which have come and gone."""
    for statement in _statements(SCHEMA_TIME_CHANGES):
        connection.execute(statement)


STEPS: tuple[tuple[str, Callable[[sqlite3.Connection], None]], ...] = (
    ("schema_1", schema_1),
    ("schema_2", schema_2),
    ("likeness", likeness),
    ("codes", codes),
    ("changes", changes),
    ("closings", closings),
    ("time_changes", time_changes),
)


def pending(connection: sqlite3.Connection) -> list[str]:
    """Names of the steps that this catalogue has yet to take."""
    done = taken(connection)
    return [name for name, _ in STEPS if name not in done]


def unknown(connection: sqlite3.Connection) -> list[str]:
    """Steps that were taken by a later version of this program, which this one does not know."""
    known = {name for name, _ in STEPS}
    return sorted(taken(connection) - known)


def migrate(connection: sqlite3.Connection, path: Path) -> list[str]:
    """Take the pending steps, each in one transaction; returns their names. Needs autocommit (isolation_level None)."""
    connection.execute("CREATE TABLE IF NOT EXISTS migration (name TEXT PRIMARY KEY, applied_at TEXT NOT NULL) STRICT")
    now_taken = []
    fresh = not taken(connection)  # nothing to keep a copy of
    for name, step in STEPS:
        connection.execute("BEGIN IMMEDIATE")
        try:
            # Another process may have taken the step while this one waited for the lock.
            done = taken(connection)
            if name not in done:
                if not fresh:
                    keep_copy(path, path.with_name(f"{path.stem}.before-{name}{path.suffix}"))
                step(connection)
                connection.execute("INSERT INTO migration VALUES (?, ?)", (name, datetime.now(UTC).isoformat()))
                now_taken.append(name)
            connection.execute("COMMIT")
        except BaseException:
            connection.execute("ROLLBACK")
            raise
    return now_taken


def taken(connection: sqlite3.Connection) -> set[str]:
    """Names of the steps that this catalogue has taken; none for a file without any."""
    try:
        return {row[0] for row in connection.execute("SELECT name FROM migration")}
    except sqlite3.OperationalError as error:
        if "no such table" in str(error):
            return set()
        raise


def keep_copy(path: Path, copy: Path) -> None:
    """Copy the catalogue as it stands committed, whole or not at all. A connection of its own sees no half step."""
    part = copy.with_name(copy.name + ".part")
    part.unlink(missing_ok=True)
    source, target = sqlite3.connect(path), sqlite3.connect(part)
    try:
        source.backup(target)
        target.execute("PRAGMA journal_mode=DELETE")  # one file, with no log beside it
    finally:
        target.close()
        source.close()
    part.replace(copy)


def _statements(text: str) -> list[str]:
    """The statements of a schema text. `executescript` would commit an open transaction, so they run one by one."""
    found, current = [], ""
    for line in text.splitlines():
        current += line + "\n"
        if sqlite3.complete_statement(current):
            found.append(current)
            current = ""
    return found
