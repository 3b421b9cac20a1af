"""Which pictures show an item: what a closing check reads of them, for many items in few queries."""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Mapping, Sequence

from lastlook.catalogue.connection import Catalogue
from lastlook.catalogue.pictures import from_ms
from lastlook.records import CaptureTime


def said_to_show(catalogue: Catalogue, targets: Sequence[str]) -> set[tuple[str, str]]:
    """(picture, target) where a person's last word is that the picture shows it."""
    found: set[tuple[str, str]] = set()
    for part, marks in _slices(targets):
        found.update(
            (str(row[0]), str(row[1]))
            for row in catalogue.rows(
                f"SELECT p.id, t.target FROM tag t JOIN picture p USING (rid) WHERE t.target IN ({marks})"
                " AND t.state = 'set'",
                part,
            )
        )
    return found


def newest_tagged(
    catalogue: Catalogue, targets: Mapping[str, str], limit: int
) -> dict[str, list[tuple[str, CaptureTime]]]:
    """For each of `targets` (id → dimension), the newest pictures that count as showing it, each with its time."""
    found: dict[str, list[tuple[str, CaptureTime]]] = {}
    # The tag index answers with rows only; the pictures' times are read once, for those that are among the newest.
    newest: dict[str, list[int]] = {}
    wanted: set[int] = set()
    for id, dimension in targets.items():
        rows = catalogue.rows("SELECT rid FROM tag WHERE dimension = ? AND target = ? AND counts = 1", (dimension, id))
        if rows:
            newest[id] = [int(row[0]) for row in rows]
            wanted.update(newest[id])
    taken = _taken(catalogue, wanted)
    chosen = {
        id: heapq.nlargest(limit, rids, key=lambda rid: (taken.get(rid, -(1 << 62)), rid))
        for id, rids in newest.items()
    }
    rows_of = _times(catalogue, {rid for rids in chosen.values() for rid in rids})
    for id, rids in chosen.items():
        found[id] = [rows_of[rid] for rid in rids if rid in rows_of]
    return found


def _taken(catalogue: Catalogue, rids: set[int]) -> dict[int, int]:
    if len(rids) > 5000:  # one walk over the index of times is quicker than many look-ups
        return {
            int(row[0]): int(row[1])
            for row in catalogue.rows("SELECT rid, taken_ms FROM picture WHERE taken_ms IS NOT NULL")
            if row[0] in rids
        }
    found: dict[int, int] = {}
    for part, marks in _slices(sorted(rids)):
        rows = catalogue.rows(f"SELECT rid, taken_ms FROM picture WHERE rid IN ({marks}) AND taken_ms NOT NULL", part)
        found.update((int(row[0]), int(row[1])) for row in rows)
    return found


def _times(catalogue: Catalogue, rids: set[int]) -> dict[int, tuple[str, CaptureTime]]:
    found: dict[int, tuple[str, CaptureTime]] = {}
    for part, marks in _slices(sorted(rids)):
        for row in catalogue.rows(
            f"SELECT rid, id, taken_ms, earliest_ms, latest_ms, basis, why FROM picture WHERE rid IN ({marks})", part
        ):
            time = CaptureTime(from_ms(row[2]), from_ms(row[3]), from_ms(row[4]), row[5], row[6])
            found[int(row[0])] = str(row[1]), time
    return found


def sharpest_of_groups(catalogue: Catalogue, groups: Iterable[int]) -> dict[int, tuple[float, int]]:
    """For groups of near-duplicates: the greatest sharpness among them, and how many they are."""
    found: dict[int, tuple[float, int]] = {}
    for part, marks in _slices(sorted(set(groups))):
        for row in catalogue.rows(
            f"SELECT group_id, MAX(sharpness), COUNT(*) FROM picture WHERE group_id IN ({marks})"
            " AND sharpness IS NOT NULL GROUP BY group_id",
            part,
        ):
            found[int(row[0])] = float(row[1]), int(row[2])
    return found


def _slices(values: Sequence[object]) -> Iterable[tuple[list[object], str]]:
    for start in range(0, len(values), 500):
        part = list(values[start : start + 500])
        yield part, ",".join("?" * len(part))
