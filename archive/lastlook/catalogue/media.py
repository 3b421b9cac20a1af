"""Photos, clips and caption files by content, and what was said over a clip."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

from lastlook.catalogue import changes
from lastlook.catalogue.connection import Catalogue, Row, meaning
from lastlook.errors import AmbiguousId, NoSuchId
from lastlook.records import Camera, Claim, ClaimSource, Cue, Reading, clip_id

_COLUMNS = (
    "sha256, kind, format, file, stored, in_place, size_bytes, mtime_ns, width, height, orientation, make, model,"
    " serial, claims, facts, warnings, duration_ms, pair_id, COALESCE(belongs_to, ''), shown, camera, arrived_ms"
)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


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
    arrived: datetime | None = None  # when it came in first

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


def _series(camera: str) -> str:
    return camera.removeprefix("named ") if camera.startswith("named ") else ""


def stored_at(medium: Medium, stored: str) -> Medium:
    """The medium with the place of its original."""
    return replace(medium, stored=stored)


def add(catalogue: Catalogue, medium: Medium) -> None:
    """Add a medium; content that is there takes on the name, place and claims of its newer arrival."""
    camera = medium.camera
    catalogue.execute(
        "INSERT INTO medium (sha256, kind, format, file, stored, in_place, size_bytes, mtime_ns, width, height,"
        " orientation, make, model, serial, camera, claims, facts, warnings, duration_ms, pair_id, belongs_to, shown,"
        " arrived_ms) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?) ON CONFLICT (sha256) DO UPDATE SET"
        " file = excluded.file, stored = excluded.stored, in_place = excluded.in_place, mtime_ns = excluded.mtime_ns,"
        " claims = excluded.claims",
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
            None if medium.arrived is None else (medium.arrived - _EPOCH) // timedelta(milliseconds=1),
        ),
    )
    changes.note_media(catalogue, medium.sha256)  # what is kept of pictures names their files; media are counted too


def get(catalogue: Catalogue, sha256: str) -> Medium | None:
    row = catalogue.row(f"SELECT {_COLUMNS} FROM medium WHERE sha256 = ?", (sha256,))
    return _medium(row) if row else None


@dataclass(frozen=True, slots=True)
class Place:
    """Where the original of some content lies, as `archive.original` wants it, and what it is."""

    kind: str
    stored: str
    in_place: bool
    size_bytes: int


def places(catalogue: Catalogue) -> dict[str, Place]:
    """The place of every original by its content: one read for a whole run."""
    rows = catalogue.rows("SELECT sha256, kind, stored, in_place, size_bytes FROM medium")
    return {row[0]: Place(row[1], row[2], bool(row[3]), row[4]) for row in rows}


def every(catalogue: Catalogue, kind: str | None = None) -> list[Medium]:
    where, values = ("WHERE kind = ?", (kind,)) if kind else ("", ())
    return [_medium(row) for row in catalogue.rows(f"SELECT {_COLUMNS} FROM medium {where} ORDER BY rowid", values)]


def sums(catalogue: Catalogue, after: int = 0) -> list[str]:
    """The checksums of all media whose row is newer than `after`."""
    return [str(row[0]) for row in catalogue.rows("SELECT sha256 FROM medium WHERE rowid > ?", (after,))]


def newest(catalogue: Catalogue) -> tuple[int, int]:
    """Changes when media have come in: how many there are, and the newest row."""
    row = catalogue.row("SELECT (SELECT COUNT(*) FROM medium), (SELECT MAX(rowid) FROM medium)")
    return (int(row[0]), int(row[1] or 0)) if row else (0, 0)


def belonging(catalogue: Catalogue, sha256: str) -> list[Medium]:
    """Caption files that count for a clip, the motion clip of a photo."""
    rows = catalogue.rows(
        f"SELECT {_COLUMNS} FROM medium WHERE (belongs_to = ? AND kind <> 'captions')"
        " OR sha256 IN (SELECT sha256 FROM caption_of WHERE clip = ?) ORDER BY rowid",
        (sha256, sha256),
    )
    return [_medium(row) for row in rows]


def find_clip(catalogue: Catalogue, typed: str) -> Medium:
    """A clip by its id, by its content's checksum, by the beginning of either, or by its file name; an id comes first.
    Raises NoSuchId, AmbiguousId."""
    lower = typed.lower()
    rows: list[Row] = []
    # "c" is a hex digit as well: what begins with it may be an id, or else the content's own digits.
    for digits in dict.fromkeys((lower.removeprefix("c"), lower)):
        if not rows and digits and all(letter in "0123456789abcdef" for letter in digits):
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
    changes.note_media(catalogue, sha256)  # it is counted for a clip no more


def restore(catalogue: Catalogue, sha256: str, stored: str, *, in_place: bool) -> None:
    """An original that was gone from its place was met again by its content: say where it lies now."""
    catalogue.execute("UPDATE medium SET stored = ?, in_place = ? WHERE sha256 = ?", (stored, int(in_place), sha256))


# ------------------------------------------------------------------------------------------------ cues


def add_cues(catalogue: Catalogue, sha256: str, cues: Iterable[Cue]) -> None:
    catalogue.execute_many(
        "INSERT OR REPLACE INTO cue VALUES (?, ?, ?, ?, ?)",
        ((sha256, n, cue.start_ms, cue.end_ms, cue.text) for n, cue in enumerate(cues)),
    )


def cues_of_clip(catalogue: Catalogue, clip: str) -> list[Cue]:
    """All captions that count for a clip, in order of time."""
    rows = catalogue.rows(
        "SELECT start_ms, end_ms, text FROM cue WHERE sha256 IN (SELECT sha256 FROM caption_of WHERE clip = ?)"
        " ORDER BY start_ms, end_ms, sha256, n",
        (clip,),
    )
    return [Cue(int(row[0]), int(row[1]), str(row[2])) for row in rows]


def put_beside(catalogue: Catalogue, path: str, sha256: str, clip: str) -> None:
    """A caption file was met at `path`, beside a clip: it counts, in place of what lay there before."""
    catalogue.execute(
        "INSERT INTO caption_of (path, clip, sha256) VALUES (?, ?, ?)"
        " ON CONFLICT (path, clip) DO UPDATE SET sha256 = excluded.sha256",
        (path, clip, sha256),
    )


def captioned(catalogue: Catalogue) -> set[tuple[str, str, str]]:
    """(path, clip, content of the caption file) of all that counts."""
    return {(row[0], row[1], row[2]) for row in catalogue.rows("SELECT path, clip, sha256 FROM caption_of")}


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


def first_arrival(catalogue: Catalogue, sha256: str) -> datetime | None:
    """When this content came in first, though it may have been lost since."""
    row = catalogue.row(
        "SELECT MIN(at) FROM decision WHERE kind = 'arrival' AND json_extract(body, '$.sha256') = ?", (sha256,)
    )
    return datetime.fromisoformat(row[0]) if row and row[0] else None


def unnamed_files(catalogue: Catalogue) -> list[tuple[str, str]]:
    """(content, file) of photos and clips that no camera is known for."""
    rows = catalogue.rows("SELECT sha256, file FROM medium WHERE camera = '' AND kind <> 'captions' ORDER BY rowid")
    return [(str(row[0]), str(row[1])) for row in rows]


def name_camera(catalogue: Catalogue, sha256: str, key: str) -> None:
    """Say which camera a file is from."""
    catalogue.execute("UPDATE medium SET camera = ? WHERE sha256 = ?", (key, sha256))


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
    with meaning("a claim of a time"):
        return tuple(_claim_in(raw) for raw in json.loads(text))


def _medium(row: Row) -> Medium:
    with meaning(f"the row of {row[3]!r}"):
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
            camera=Camera(row[11], row[12], row[13], _series(row[21])),
            claims=claims_from_json(row[14]),
            facts=json.loads(row[15]),
            warnings=tuple(json.loads(row[16])),
            duration_ms=row[17],
            pair_id=row[18],
            belongs_to=row[19],
            shown=bool(row[20]),
            arrived=None if row[22] is None else _EPOCH + timedelta(milliseconds=row[22]),
        )
