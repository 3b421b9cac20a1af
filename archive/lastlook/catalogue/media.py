"""Photos, clips and caption files by content; where they were met; what could not be used."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from lastlook.catalogue.connection import Catalogue, Row
from lastlook.errors import AmbiguousId, NoSuchId
from lastlook.records import Camera, Claim, ClaimSource, Cue, Problem, Reading, clip_id

_COLUMNS = (
    "sha256, kind, format, file, stored, in_place, size_bytes, mtime_ns, width, height, orientation, make, model,"
    " serial, claims, facts, warnings, duration_ms, pair_id, COALESCE(belongs_to, ''), shown"
)


@dataclass(frozen=True, slots=True)
class Medium:
    """A file of the archive. `kind` is photo, clip or captions; `stored` as in `archive.original`."""

    sha256: str
    kind: str
    format: str
    file: str
    stored: str
    in_place: bool
    size_bytes: int
    mtime_ns: int
    width: int
    height: int
    orientation: int
    camera: Camera
    claims: tuple[Claim, ...]
    facts: Mapping[str, str]
    warnings: tuple[str, ...]
    duration_ms: int | None
    pair_id: str
    belongs_to: str
    shown: bool

    @property
    def id(self) -> str:
        """What people type for a clip."""
        return clip_id(self.sha256)


def from_reading(reading: Reading, *, file: str, stored: str, in_place: bool, belongs_to: str = "") -> Medium:
    return Medium(
        sha256=reading.sha256,
        kind=reading.kind.value,
        format=reading.format,
        file=file,
        stored=stored,
        in_place=in_place,
        size_bytes=reading.size_bytes,
        mtime_ns=reading.mtime_ns,
        width=reading.width,
        height=reading.height,
        orientation=reading.orientation,
        camera=reading.camera,
        claims=reading.claims,
        facts=dict(reading.facts),
        warnings=reading.warnings,
        duration_ms=reading.duration_ms,
        pair_id=reading.pair_id,
        belongs_to=belongs_to,
        shown=reading.shown,
    )


def stored_at(medium: Medium, stored: str) -> Medium:
    """The medium with the place of its original."""
    return replace(medium, stored=stored)


def add(catalogue: Catalogue, medium: Medium) -> None:
    camera = medium.camera
    catalogue.execute(
        "INSERT INTO medium (sha256, kind, format, file, stored, in_place, size_bytes, mtime_ns, width, height,"
        " orientation, make, model, serial, camera, claims, facts, warnings, duration_ms, pair_id, belongs_to, shown)"
        " VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)",
        (
            medium.sha256,
            medium.kind,
            medium.format,
            medium.file,
            medium.stored,
            int(medium.in_place),
            medium.size_bytes,
            medium.mtime_ns,
            medium.width,
            medium.height,
            medium.orientation,
            camera.make,
            camera.model,
            camera.serial,
            camera.key,
            json.dumps([_claim_out(claim) for claim in medium.claims], ensure_ascii=False),
            json.dumps(dict(medium.facts), ensure_ascii=False, sort_keys=True),
            json.dumps(list(medium.warnings), ensure_ascii=False),
            medium.duration_ms,
            medium.pair_id,
            medium.belongs_to or None,
            int(medium.shown),
        ),
    )


def get(catalogue: Catalogue, sha256: str) -> Medium | None:
    row = catalogue.row(f"SELECT {_COLUMNS} FROM medium WHERE sha256 = ?", (sha256,))
    return _medium(row) if row else None


def known(catalogue: Catalogue, contents: Sequence[str]) -> set[str]:
    """Which of these contents the archive has."""
    found: set[str] = set()
    for start in range(0, len(contents), 500):
        part = contents[start : start + 500]
        marks = ",".join("?" * len(part))
        found.update(
            str(row[0]) for row in catalogue.rows(f"SELECT sha256 FROM medium WHERE sha256 IN ({marks})", part)
        )
    return found


def every(catalogue: Catalogue, kind: str | None = None) -> list[Medium]:
    where, values = ("WHERE kind = ?", (kind,)) if kind else ("", ())
    return [_medium(row) for row in catalogue.rows(f"SELECT {_COLUMNS} FROM medium {where} ORDER BY rowid", values)]


def belonging(catalogue: Catalogue, sha256: str) -> list[Medium]:
    """Captions of a clip, the motion clip of a photo."""
    rows = catalogue.rows(f"SELECT {_COLUMNS} FROM medium WHERE belongs_to = ? ORDER BY rowid", (sha256,))
    return [_medium(row) for row in rows]


def by_pair(catalogue: Catalogue, pair_id: str) -> list[Medium]:
    rows = catalogue.rows(f"SELECT {_COLUMNS} FROM medium WHERE pair_id = ? AND pair_id <> ''", (pair_id,))
    return [_medium(row) for row in rows]


def find_clip(catalogue: Catalogue, typed: str) -> Medium:
    """A clip by its id, the beginning of it, or its file name. Raises NoSuchId, AmbiguousId."""
    digits = typed.lower().removeprefix("c")
    rows: list[Row] = []
    if digits and all(letter in "0123456789abcdef" for letter in digits):
        rows = catalogue.rows(
            f"SELECT {_COLUMNS} FROM medium WHERE kind = 'clip' AND sha256 >= ? AND sha256 < ? LIMIT 6",
            (digits, digits + "g"),
        )
    if not rows:
        rows = catalogue.rows(f"SELECT {_COLUMNS} FROM medium WHERE kind = 'clip' AND file = ? LIMIT 6", (typed,))
    if not rows:
        raise NoSuchId("clip", typed)
    if len(rows) > 1:
        raise AmbiguousId("clip", typed, [clip_id(str(row[0])) for row in rows])
    return _medium(rows[0])


def link(catalogue: Catalogue, sha256: str, belongs_to: str) -> None:
    """Say that a caption file or motion clip belongs to a clip or photo."""
    catalogue.execute("UPDATE medium SET belongs_to = ? WHERE sha256 = ?", (belongs_to, sha256))


def restore_path(catalogue: Catalogue, sha256: str, stored: str) -> None:
    """A file left in place was found again elsewhere, by its content."""
    catalogue.execute("UPDATE medium SET stored = ? WHERE sha256 = ?", (stored, sha256))


# ------------------------------------------------------------------------------------------------ cues


def add_cues(catalogue: Catalogue, sha256: str, cues: Iterable[Cue]) -> None:
    catalogue.execute_many(
        "INSERT OR REPLACE INTO cue VALUES (?, ?, ?, ?, ?)",
        ((sha256, n, cue.start_ms, cue.end_ms, cue.text) for n, cue in enumerate(cues)),
    )


def cues_of_clip(catalogue: Catalogue, clip: str) -> list[Cue]:
    """All captions of a clip, in order of time."""
    rows = catalogue.rows(
        "SELECT start_ms, end_ms, text FROM cue JOIN medium USING (sha256) WHERE belongs_to = ?"
        " ORDER BY start_ms, end_ms, n",
        (clip,),
    )
    return [Cue(int(row[0]), int(row[1]), str(row[2])) for row in rows]


# ------------------------------------------------------------------------------------------------ sightings, problems


@dataclass(frozen=True, slots=True)
class Sighting:
    """A path at which content was met, with the size and modification time it had, and the decision that says so."""

    path: str
    sha256: str
    size_bytes: int
    mtime_ns: int
    seq: int
    folders: tuple[str, ...] = ()


def sightings(catalogue: Catalogue) -> dict[str, Sighting]:
    """The last sighting of each path: one read, so that looking at an unchanged folder again costs no query a file."""
    rows = catalogue.rows("SELECT path, sha256, size_bytes, mtime_ns, seq FROM sighting ORDER BY seq")
    return {row[0]: Sighting(row[0], row[1], row[2], row[3], row[4]) for row in rows}


def add_sighting(catalogue: Catalogue, sighting: Sighting) -> None:
    catalogue.execute(
        "INSERT OR REPLACE INTO sighting (path, sha256, size_bytes, mtime_ns, seq, folders) VALUES (?, ?, ?, ?, ?, ?)",
        (
            sighting.path,
            sighting.sha256,
            sighting.size_bytes,
            sighting.mtime_ns,
            sighting.seq,
            json.dumps(sighting.folders, ensure_ascii=False),
        ),
    )


def sightings_of(catalogue: Catalogue, contents: Sequence[str]) -> dict[str, list[Sighting]]:
    """Where each of these contents was met, in the order of meeting."""
    found: dict[str, list[Sighting]] = {}
    for start in range(0, len(contents), 500):
        part = contents[start : start + 500]
        marks = ",".join("?" * len(part))
        for row in catalogue.rows(
            f"SELECT path, sha256, size_bytes, mtime_ns, seq, folders FROM sighting WHERE sha256 IN ({marks})"
            " ORDER BY seq, path",
            part,
        ):
            found.setdefault(row[1], []).append(
                Sighting(row[0], row[1], row[2], row[3], row[4], tuple(json.loads(row[5])))
            )
    return found


def add_problem(catalogue: Catalogue, problem: Problem, at: datetime) -> None:
    """List a problem, in place of an earlier one of the same path."""
    catalogue.execute(
        "INSERT OR REPLACE INTO problem VALUES (?, ?, ?, ?, ?)",
        (problem.path, problem.reason, problem.hint, int(problem.kept), at.isoformat(timespec="milliseconds")),
    )


def drop_problem(catalogue: Catalogue, path: str) -> None:
    """The file at this path was read after all."""
    catalogue.execute("DELETE FROM problem WHERE path = ?", (path,))


def problems(catalogue: Catalogue) -> list[Problem]:
    rows = catalogue.rows("SELECT path, reason, hint, kept FROM problem ORDER BY path")
    return [Problem(str(row[0]), str(row[1]), str(row[2]), bool(row[3])) for row in rows]


@dataclass(frozen=True, slots=True)
class Tally:
    """How much an archive holds. A motion clip beside its photo is part of the photo and not counted."""

    photos: int
    clips: int
    stills: int
    problems: int


def tally(catalogue: Catalogue) -> Tally:
    row = catalogue.row(
        "SELECT (SELECT COUNT(*) FROM medium WHERE kind = 'photo'),"
        " (SELECT COUNT(*) FROM medium WHERE kind = 'clip' AND belongs_to IS NULL),"
        " (SELECT COUNT(*) FROM picture WHERE kind = 'still'), (SELECT COUNT(*) FROM problem)"
    )
    return Tally(*row) if row else Tally(0, 0, 0, 0)


def cameras(catalogue: Catalogue) -> list[tuple[str, int]]:
    """Camera keys with the number of photos and clips of each, most first; '' is "the file does not say"."""
    rows = catalogue.rows(
        "SELECT camera, COUNT(*) FROM medium WHERE kind <> 'captions' GROUP BY camera ORDER BY 2 DESC, 1"
    )
    return [(str(row[0]), int(row[1])) for row in rows]


# ------------------------------------------------------------------------------------------------ rows and JSON


def _claim_out(claim: Claim) -> dict[str, Any]:
    out: dict[str, Any] = {"source": claim.source.value, "text": claim.text}
    if claim.wall is not None:
        out["wall"] = claim.wall.isoformat()
    if claim.offset_min is not None:
        out["offset_min"] = claim.offset_min
    if claim.resolution_ms != 1000:
        out["resolution_ms"] = claim.resolution_ms
    if claim.fault:
        out["fault"] = claim.fault
    return out


def _claim_in(raw: dict[str, Any]) -> Claim:
    wall = raw.get("wall")
    return Claim(
        ClaimSource(raw["source"]),
        raw["text"],
        datetime.fromisoformat(wall) if wall else None,
        raw.get("offset_min"),
        raw.get("resolution_ms", 1000),
        raw.get("fault"),
    )


def claims_from_json(text: str) -> tuple[Claim, ...]:
    return tuple(_claim_in(raw) for raw in json.loads(text))


def _medium(row: Row) -> Medium:
    return Medium(
        sha256=row[0],
        kind=row[1],
        format=row[2],
        file=row[3],
        stored=row[4],
        in_place=bool(row[5]),
        size_bytes=row[6],
        mtime_ns=row[7],
        width=row[8],
        height=row[9],
        orientation=row[10],
        camera=Camera(row[11], row[12], row[13]),
        claims=claims_from_json(row[14]),
        facts=json.loads(row[15]),
        warnings=tuple(json.loads(row[16])),
        duration_ms=row[17],
        pair_id=row[18],
        belongs_to=row[19],
        shown=bool(row[20]),
    )
