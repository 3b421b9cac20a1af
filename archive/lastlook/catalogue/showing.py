"""Which pictures show an item: what a closing check reads of them, for many items in few queries."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from lastlook.catalogue.connection import Catalogue
from lastlook.catalogue.pictures import from_ms
from lastlook.records import CaptureTime


def said_to_show(catalogue: Catalogue, rids: Sequence[int]) -> set[tuple[int, str]]:
    """(row, target) where a person's last word is that the picture shows it, among the pictures of `rids`."""
    found: set[tuple[int, str]] = set()
    for part, marks in _slices(rids):
        rows = catalogue.rows(f"SELECT rid, target FROM tag WHERE rid IN ({marks}) AND state = 'set'", part)
        found.update((int(row[0]), str(row[1])) for row in rows)
    return found


def newest_tagged(
    catalogue: Catalogue, targets: Mapping[str, str], limit: int
) -> dict[str, list[tuple[str, CaptureTime]]]:
    """For each of `targets` (id → dimension), the newest pictures that count as showing it, each with its time."""
    found: dict[str, list[tuple[str, CaptureTime]]] = {}
    for id, dimension in targets.items():
        rows = catalogue.rows(
            "SELECT p.id, p.taken_ms, p.earliest_ms, p.latest_ms, p.basis, p.why"
            " FROM tag t JOIN picture p USING (rid) WHERE t.dimension = ? AND t.target = ? AND t.counts = 1"
            " ORDER BY p.taken_ms DESC, p.rid DESC LIMIT ?",
            (dimension, id, limit),
        )
        if rows:
            found[id] = [
                (str(row[0]), CaptureTime(from_ms(row[1]), from_ms(row[2]), from_ms(row[3]), row[4], row[5]))
                for row in rows
            ]
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
