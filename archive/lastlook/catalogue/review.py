"""What the queue of open proposals is made from: pictures that no person has placed, with what is claimed of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lastlook.catalogue.connection import Catalogue
from lastlook.records import Dimension

_PLACING = "('subassembly', 'step')"


@dataclass(frozen=True, slots=True)
class Claimed:
    """A proposal as it stands on a picture. `counts`: it is applied."""

    dimension: Dimension
    target: str
    confidence: float
    counts: bool
    why: str


@dataclass(frozen=True, slots=True)
class Open:
    """A picture that no person has put to a subassembly or step. `claims` the surest first; `rejected`: a person has
    taken something off it. Times in ms since 1970, UTC."""

    rid: int
    id: str
    sha256: str
    file: str
    clip_ms: int | None
    taken_ms: int | None
    earliest_ms: int | None
    latest_ms: int | None
    burst: int | None
    claims: tuple[Claimed, ...]
    rejected: bool


def open_pictures(catalogue: Catalogue, among: Sequence[int] | None = None) -> list[Open]:
    """All of them, in order of time, those of unknown time last; or those among some rows, in no order."""
    if among is None:
        return _open(catalogue, "")
    return [one for part in _parts(among) for one in _open(catalogue, f"AND rid IN ({part})")]


def _parts(among: Sequence[int]) -> list[str]:
    """Rows as SQL lists them, some at a time."""
    return [", ".join(str(int(rid)) for rid in among[start : start + 500]) for start in range(0, len(among), 500)]


def _open(catalogue: Catalogue, narrowed: str) -> list[Open]:
    with catalogue.reading():
        claims: dict[int, list[Claimed]] = {}
        rejected: set[int] = set()
        placed: set[int] = set()
        for rid, dimension, target, state, confidence, counts, why in catalogue.rows(
            f"SELECT rid, dimension, target, state, confidence, counts, why FROM tag WHERE dimension IN {_PLACING}"
            f" {narrowed} ORDER BY rid, confidence DESC, target"
        ):
            if state == "set":
                placed.add(rid)
            elif state == "rejected":
                rejected.add(rid)
            else:
                claims.setdefault(rid, []).append(Claimed(Dimension(dimension), target, confidence, bool(counts), why))
        rows = catalogue.rows(
            "SELECT p.rid, p.id, p.sha256, m.file, p.clip_ms, p.taken_ms, p.earliest_ms, p.latest_ms, p.group_id"
            " FROM picture p JOIN medium m USING (sha256) WHERE m.shown = 1"
            f" {narrowed}"
            " ORDER BY p.taken_ms IS NULL, p.taken_ms, p.rid"
        )
    return [
        Open(rid, id, sha, file, clip_ms, taken, earliest, latest, burst, tuple(claims.get(rid, ())), rid in rejected)
        for rid, id, sha, file, clip_ms, taken, earliest, latest, burst in rows
        if rid not in placed
    ]


def placed_rids(catalogue: Catalogue, among: Sequence[int] | None = None) -> set[int]:
    """Rows of the pictures that a person has put to a subassembly or step. `among`: looked for only in these."""
    sql = f"SELECT DISTINCT rid FROM tag WHERE state = 'set' AND dimension IN {_PLACING}"
    narrowed = [""] if among is None else [f" AND rid IN ({part})" for part in _parts(among)]
    return {int(row[0]) for each in narrowed for row in catalogue.rows(sql + each)}


def waiting_rids(catalogue: Catalogue, sure: float, contradicted: str, among: Sequence[int] | None = None) -> set[int]:
    """Rows of `open_pictures` that need a person: not those of which all that was proposed was refused, nor those with
    a place that is applied, surer than `sure` and without a claim whose reason holds `contradicted`. `among`: looked
    for only in these rows."""
    if among is None:
        return _waiting(catalogue, sure, contradicted, "", _HIDDEN)
    found: set[int] = set()
    for part in _parts(among):
        hidden = f"{_HIDDEN} AND rid IN ({part})"
        found |= _waiting(catalogue, sure, contradicted, f"AND rid IN ({part})", hidden)
    return found


_HIDDEN = "SELECT rid FROM picture JOIN medium m USING (sha256) WHERE m.shown = 0"


def _waiting(catalogue: Catalogue, sure: float, contradicted: str, narrowed: str, hidden: str) -> set[int]:
    rows = catalogue.rows(
        f"""
        SELECT p.rid FROM picture p LEFT JOIN (
            SELECT rid, MAX(state = 'set') AS placed, MAX(state = 'rejected') AS refused,
                MAX(state = 'proposed') AS claimed, MAX((state = 'proposed') * counts * confidence) AS top,
                MAX(state = 'proposed' AND counts = 1 AND dimension = 'subassembly') AS applied,
                MAX(state = 'proposed' AND dimension = 'subassembly' AND instr(why, :other) > 0) AS other
            FROM tag WHERE dimension IN {_PLACING} {narrowed} GROUP BY rid
        ) t USING (rid)
        WHERE NOT COALESCE(t.placed, 0)
            AND p.rid NOT IN ({hidden}) {narrowed}
            AND NOT (COALESCE(t.refused, 0) AND NOT COALESCE(t.claimed, 0))
            AND NOT (COALESCE(t.applied, 0) AND NOT COALESCE(t.other, 0) AND COALESCE(t.top, 0) >= :sure)
        """,
        {"sure": sure, "other": contradicted},
    )
    return {int(row[0]) for row in rows}
