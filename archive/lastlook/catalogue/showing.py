"""Which pictures show an item: what a closing check reads of them, for many items in few queries."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from lastlook.catalogue.connection import Catalogue, Row
from lastlook.catalogue.pictures import from_ms
from lastlook.records import CaptureTime


def said_to_show(catalogue: Catalogue, rids: Sequence[int]) -> set[tuple[int, str]]:
    """(row, target) where a person's last word is that the picture shows it, among the pictures of `rids`."""
    found: set[tuple[int, str]] = set()
    for part, marks in _slices(rids):
        rows = catalogue.rows(f"SELECT rid, target FROM tag WHERE rid IN ({marks}) AND state = 'set'", part)
        found.update((int(row[0]), str(row[1])) for row in rows)
    return found


def newest_rids(catalogue: Catalogue, dimension: str, target: str, limit: int) -> list[tuple[bool, int, int]]:
    """The newest pictures that count for a target, the newest first, those of unknown time last: (whether it is known,
    ms since 1970, row)."""
    rows = catalogue.rows(
        "SELECT p.taken_ms, p.rid FROM tag t JOIN picture p USING (rid)"
        " WHERE t.dimension = ? AND t.target = ? AND t.counts = 1 ORDER BY p.taken_ms DESC, p.rid DESC LIMIT ?",
        (dimension, target, limit),
    )
    return [_place(row) for row in rows]


def order_of(catalogue: Catalogue, rids: Sequence[int]) -> list[tuple[bool, int, int]]:
    """Where pictures stand in that order; those that are gone are left out."""
    return [
        _place(row)
        for part, marks in _slices(rids)
        for row in catalogue.rows(f"SELECT taken_ms, rid FROM picture WHERE rid IN ({marks})", part)
    ]


def _place(row: Row) -> tuple[bool, int, int]:
    return row[0] is not None, int(row[0] or 0), int(row[1])


def dated(catalogue: Catalogue, rids: Sequence[int]) -> dict[int, tuple[str, CaptureTime]]:
    """Ids and times of pictures by their rows."""
    return {
        int(row[0]): (str(row[1]), CaptureTime(from_ms(row[2]), from_ms(row[3]), from_ms(row[4]), row[5], row[6]))
        for part, marks in _slices(rids)
        for row in catalogue.rows(
            f"SELECT rid, id, taken_ms, earliest_ms, latest_ms, basis, why FROM picture WHERE rid IN ({marks})", part
        )
    }


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
