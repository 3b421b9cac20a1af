"""QR codes and markers that were read in pictures; which pictures have yet to be searched; fitted clocks."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from lastlook.catalogue.connection import Catalogue, Row, meaning
from lastlook.records import Code, CodeKind


@dataclass(frozen=True, slots=True)
class ToRead:
    """A picture that has yet to be searched for codes, with all that the search needs."""

    rid: int
    sha256: str
    kind: str
    stored: str
    in_place: bool
    clip_ms: int | None
    width: int
    height: int
    page: str


def to_read(catalogue: Catalogue, limit: int, after: int = 0) -> list[ToRead]:
    """Pictures that have yet to be searched, those that cannot be shown left out, from row `after` on."""
    rows = catalogue.rows(
        "SELECT p.rid, p.sha256, p.kind, m.stored, m.in_place, p.clip_ms, p.width, p.height, p.page"
        " FROM codes_to_read q JOIN picture p USING (rid) JOIN medium m USING (sha256)"
        " WHERE q.rid > ? AND m.shown = 1 ORDER BY q.rid LIMIT ?",
        (after, limit),
    )
    return [ToRead(row[0], row[1], row[2], row[3], bool(row[4]), row[5], row[6], row[7], row[8]) for row in rows]


def count_to_read(catalogue: Catalogue) -> int:
    row = catalogue.row(
        "SELECT COUNT(*) FROM codes_to_read JOIN picture USING (rid) JOIN medium USING (sha256) WHERE shown = 1"
    )
    return int(row[0]) if row else 0


def want(catalogue: Catalogue, rid: int) -> None:
    """Let a picture be searched for codes, again if it was."""
    catalogue.execute("INSERT OR IGNORE INTO codes_to_read VALUES (?)", (rid,))


def found(catalogue: Catalogue, rid: int, codes: Sequence[Code]) -> None:
    """Keep what was read in a picture, in place of what was read before. A picture that is gone is passed over."""
    catalogue.execute("DELETE FROM codes_to_read WHERE rid = ?", (rid,))
    catalogue.execute("DELETE FROM code WHERE rid = ?", (rid,))
    if catalogue.row("SELECT 1 FROM picture WHERE rid = ?", (rid,)) is None:
        return
    catalogue.execute_many(
        "INSERT INTO code VALUES (?, ?, ?, ?, ?, ?, ?)",
        (
            (rid, n, code.kind.value, code.text, json.dumps(code.corners), code.sure, int(code.mirrored))
            for n, code in enumerate(codes)
        ),
    )


def of_pictures(catalogue: Catalogue, rids: Sequence[int]) -> dict[int, tuple[Code, ...]]:
    """The codes in each of these pictures; pictures without any are left out."""
    out: dict[int, list[Code]] = {}
    for start in range(0, len(rids), 500):
        part = list(rids[start : start + 500])
        marks = ",".join("?" * len(part))
        for row in catalogue.rows(f"SELECT {_COLUMNS} FROM code WHERE rid IN ({marks}) ORDER BY rid, n", part):
            out.setdefault(row[0], []).append(_code(row))
    return {rid: tuple(codes) for rid, codes in out.items()}


def of_medium(catalogue: Catalogue, sha256: str) -> list[tuple[int | None, Code]]:
    """(clip_ms, code) of all codes in a photo or clip, in order of time."""
    rows = catalogue.rows(
        "SELECT c.rid, c.kind, c.text, c.corners, c.sure, c.mirrored, p.clip_ms FROM code c JOIN picture p USING (rid)"
        " WHERE p.sha256 = ? ORDER BY p.clip_ms, c.n",
        (sha256,),
    )
    return [(row[6], _code(row)) for row in rows]


@dataclass(frozen=True, slots=True)
class CardSeen:
    """A picture in which a QR code begins with what was asked for, and what its file says of the time."""

    picture: str
    camera: str
    text: str
    claims: str
    clip_ms: int | None
    duration_ms: int | None
    file: str


def beginning(catalogue: Catalogue, prefix: str) -> list[CardSeen]:
    """Pictures with a QR code whose text begins with `prefix`, in order of their ids."""
    rows = catalogue.rows(
        "SELECT p.id, m.camera, c.text, m.claims, p.clip_ms, m.duration_ms, m.file"
        " FROM code c JOIN picture p USING (rid) JOIN medium m USING (sha256)"
        " WHERE c.kind = 'qr' AND c.text >= ? AND c.text < ? ORDER BY p.id, c.n",
        (prefix, prefix + "\U0010ffff"),
    )
    return [CardSeen(row[0], row[1], row[2], row[3], row[4], row[5], row[6]) for row in rows]


# ------------------------------------------------------------------------------------------------ fitted clocks


def set_fitted(catalogue: Catalogue, camera: str, bodies: Iterable[Mapping[str, object]]) -> bool:
    """Keep a camera's fitted corrections in place of the earlier ones; says whether they are others."""
    texts = [json.dumps(body, ensure_ascii=False, sort_keys=True) for body in bodies]
    before = [row[0] for row in catalogue.rows("SELECT body FROM fitted_clock WHERE camera = ? ORDER BY n", (camera,))]
    if texts == before:
        return False
    catalogue.execute("DELETE FROM fitted_clock WHERE camera = ?", (camera,))
    catalogue.execute_many(
        "INSERT INTO fitted_clock VALUES (?, ?, ?)", ((camera, n, text) for n, text in enumerate(texts))
    )
    return True


def fitted(catalogue: Catalogue, camera: str) -> list[Mapping[str, Any]]:
    """A camera's fitted corrections, as they were kept."""
    with meaning(f"the fitted clock of {camera!r}"):
        return [
            json.loads(row[0])
            for row in catalogue.rows("SELECT body FROM fitted_clock WHERE camera = ? ORDER BY n", (camera,))
        ]


def fitted_cameras(catalogue: Catalogue) -> list[str]:
    return [str(row[0]) for row in catalogue.rows("SELECT DISTINCT camera FROM fitted_clock ORDER BY camera")]


_COLUMNS = "rid, kind, text, corners, sure, mirrored"


def _code(row: Row) -> Code:
    with meaning(f"a code of picture row {row[0]}"):
        corners = tuple((float(x), float(y)) for x, y in json.loads(row[3]))
        return Code(CodeKind(row[1]), str(row[2]), corners, float(row[4]), bool(row[5]))
