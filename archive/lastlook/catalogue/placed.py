"""Pictures with as much as proposals need: where they come from, when they were taken, what people said of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from lastlook.catalogue import decisions, pictures
from lastlook.catalogue.connection import Catalogue
from lastlook.catalogue.tags import SAYING
from lastlook.records import Code, CodeKind, Decision, still_id

_COLUMNS = "p.rid, p.id, p.sha256, p.clip_ms, p.taken_ms, p.earliest_ms, p.latest_ms, m.file"
_FROM = "FROM picture p JOIN medium m USING (sha256)"
_PART = 500


class Placed(NamedTuple):
    """A picture's row, id, source and time (ms since 1970, UTC; None where it is not known). A tuple, since they are
    made by the hundred thousand."""

    rid: int
    id: str
    sha256: str
    clip_ms: int | None
    taken_ms: int | None
    earliest_ms: int | None
    latest_ms: int | None
    file: str


def by_rids(catalogue: Catalogue, rids: Sequence[int]) -> list[Placed]:
    found: list[Placed] = []
    for start in range(0, len(rids), _PART):
        part = list(rids[start : start + _PART])
        marks = ",".join("?" * len(part))
        found += map(
            Placed._make, catalogue.rows(f"SELECT {_COLUMNS} {_FROM} WHERE p.rid IN ({marks}) ORDER BY p.rid", part)
        )
    return found


def between(catalogue: Catalogue, spans: Iterable[tuple[int, int]]) -> list[Placed]:
    """Pictures taken within any of some stretches of time, which do not overlap, in order of time."""
    found: list[Placed] = []
    for low, high in spans:
        found += map(
            Placed._make,
            catalogue.rows(
                f"SELECT {_COLUMNS} {_FROM} WHERE p.taken_ms BETWEEN ? AND ? ORDER BY p.taken_ms, p.rid", (low, high)
            ),
        )
    return found


def touching(catalogue: Catalogue, low: int, high: int) -> list[int]:
    """Rows of the pictures that may have been taken between two moments."""
    rows = catalogue.rows("SELECT rid FROM picture WHERE earliest_ms <= ? AND latest_ms >= ? ORDER BY rid", (high, low))
    return [int(row[0]) for row in rows]


def of_media(catalogue: Catalogue, sha256s: Sequence[str]) -> list[int]:
    """Rows of the pictures of some photos and clips."""
    found: list[int] = []
    for start in range(0, len(sha256s), _PART):
        part = list(sha256s[start : start + _PART])
        marks = ",".join("?" * len(part))
        found += [
            int(row[0])
            for row in catalogue.rows(f"SELECT rid FROM picture WHERE sha256 IN ({marks}) ORDER BY rid", part)
        ]
    return found


def with_proposals_of(catalogue: Catalogue, sources: Sequence[str]) -> list[int]:
    """Rows of the pictures that have a proposal of any of these sources."""
    marks = ",".join("?" * len(sources))
    return [
        int(row[0])
        for row in catalogue.rows(f"SELECT DISTINCT rid FROM proposal WHERE source IN ({marks}) ORDER BY rid", sources)
    ]


def tagged(catalogue: Catalogue) -> list[int]:
    """Rows of the pictures whose tags a person has decided something about."""
    rows = catalogue.rows(
        "SELECT p.rid FROM decision d JOIN decision_subject s USING (seq) JOIN picture p ON p.id = s.subject"
        " WHERE d.kind IN ('tag', 'view') AND d.undone = 0"
        " UNION SELECT p.rid FROM decision_subject s JOIN decision d USING (seq)"
        " JOIN picture p ON p.sha256 = substr(s.subject, 6)"
        " WHERE s.subject >= 'clip:' AND s.subject < 'clip;' AND d.kind = 'tag' AND d.undone = 0"
        " AND p.clip_ms BETWEEN json_extract(d.body, '$.stretch.from_ms') AND json_extract(d.body, '$.stretch.to_ms')"
    )
    return [int(row[0]) for row in rows]


def tag_decisions(catalogue: Catalogue, ids: Sequence[str]) -> dict[str, list[Decision]]:
    """The decisions about the tags of pictures that nobody took back, oldest first, by the picture's id. What was said
    of a stretch of a clip holds for a still in it, whenever that still was taken."""
    found: dict[str, list[Decision]] = {}
    read: dict[int, Decision] = {}
    for start in range(0, len(ids), _PART):
        part = list(ids[start : start + _PART])
        for subject, decision in decisions.live_by_subject(catalogue, SAYING, part, read):
            found.setdefault(subject, []).append(decision)
        for id, decision in _of_stretches(catalogue, [id for id in part if id.startswith("s")]):
            there = found.setdefault(id, [])
            if all(one.seq != decision.seq for one in there):
                there.append(decision)
                there.sort(key=lambda one: one.seq)
    return found


def in_stretch(catalogue: Catalogue, body: Mapping[str, Any]) -> list[str]:
    """The stills in the stretch of a clip that a decision speaks of, those that were taken later too; else []."""
    if "stretch" not in body:
        return []
    clip, first, last = (body["stretch"][key] for key in ("clip", "from_ms", "to_ms"))
    return [still_id(clip, at) for at, _ in pictures.still_moments(catalogue, clip) if first <= at <= last]


def _of_stretches(catalogue: Catalogue, stills: Sequence[str]) -> list[tuple[str, Decision]]:
    """(still, decision) for what was said of the stretches of clips that stills lie in."""
    if not stills:
        return []
    marks = ",".join("?" * len(stills))
    moments: dict[str, list[tuple[str, int]]] = {}
    for id, sha256, clip_ms in catalogue.rows(
        f"SELECT id, sha256, clip_ms FROM picture WHERE id IN ({marks}) AND clip_ms IS NOT NULL", stills
    ):
        moments.setdefault(f"clip:{sha256}", []).append((id, clip_ms))
    found: list[tuple[str, Decision]] = []
    if moments:
        for subject, decision in decisions.live_by_subject(catalogue, ("tag",), list(moments)):
            stretch: Any = decision.body.get("stretch", {})
            found += [(id, decision) for id, at in moments[subject] if stretch["from_ms"] <= at <= stretch["to_ms"]]
    return found


def codes_of(catalogue: Catalogue, sha256s: Sequence[str], prefix: str) -> dict[str, list[tuple[int | None, Code]]]:
    """QR codes whose text begins with `prefix` in some photos and clips, each with its moment, in order of time."""
    found: dict[str, list[tuple[int | None, Code]]] = {}
    for start in range(0, len(sha256s), _PART):
        part = list(sha256s[start : start + _PART])
        marks = ",".join("?" * len(part))
        for sha256, clip_ms, text, sure, mirrored in catalogue.rows(
            "SELECT p.sha256, p.clip_ms, c.text, c.sure, c.mirrored FROM code c JOIN picture p USING (rid)"
            f" WHERE p.sha256 IN ({marks}) AND c.kind = 'qr' AND c.text >= ? AND c.text < ? ORDER BY p.clip_ms, c.n",
            (*part, prefix, prefix + "\U0010ffff"),
        ):
            found.setdefault(sha256, []).append((clip_ms, Code(CodeKind.QR, text, (), sure, bool(mirrored))))
    return found


def media_with_codes(catalogue: Catalogue, prefix: str) -> list[str]:
    """Photos and clips with a QR code whose text begins with `prefix`."""
    rows = catalogue.rows(
        "SELECT DISTINCT p.sha256 FROM code c JOIN picture p USING (rid)"
        " WHERE c.kind = 'qr' AND c.text >= ? AND c.text < ?",
        (prefix, prefix + "\U0010ffff"),
    )
    return [str(row[0]) for row in rows]
