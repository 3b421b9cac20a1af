"""Which pictures have changed: every count of the counters "tags" and "times" with the picture it was counted for, so
that what was made of all pictures can be brought up to date by those that changed.

"times" counts what else is kept of pictures as well: that they are there, their files, their groups.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, Literal

from lastlook.catalogue.connection import Catalogue

KEPT = 20_000
"""So many changes are remembered."""

MOST = 2_000
"""Where more pictures have changed, reading everything is as quick."""


Counter = Literal["tags", "times"]
Versions = tuple[int, int]
"""The counts of "tags" and of "times"."""

NO_PICTURE: Final = -1
_TABLES: Final[dict[Counter, str]] = {"tags": "tag_change", "times": "time_change"}


def note(catalogue: Catalogue, counter: Counter, rids: Sequence[int]) -> None:
    """Count a counter up for each of some pictures, once where there is none. In the transaction that changes them."""
    rids = rids or (NO_PICTURE,)
    table = _TABLES[counter]
    before = catalogue.counters()[counter]
    now = before + len(rids)
    catalogue.execute("UPDATE counter SET value = ? WHERE name = ?", (now, counter))
    noted = zip(range(before + 1, now + 1), rids, strict=True)
    catalogue.execute_many(f"INSERT OR REPLACE INTO {table} VALUES (?, ?)", list(noted)[-KEPT:])
    catalogue.execute(f"DELETE FROM {table} WHERE version <= ?", (now - KEPT,))


def note_media(catalogue: Catalogue, sha256: str) -> None:
    """Count for the pictures of a photo or clip of which something else was changed than their times."""
    note(catalogue, "times", [row[0] for row in catalogue.rows("SELECT rid FROM picture WHERE sha256 = ?", (sha256,))])


def versions(catalogue: Catalogue) -> Versions:
    counters = catalogue.counters()
    return counters["tags"], counters["times"]


def since(catalogue: Catalogue, before: Versions, now: Versions) -> list[int] | None:
    """Rows of the pictures that have changed between two counts, in order, those that are gone too; None where that is
    not known whole, or is too much to be worth it."""
    found: set[int] = set()
    for table, first, last in zip(_TABLES.values(), before, now, strict=True):
        rids = _noted(catalogue, table, first, last)
        if rids is None:
            return None
        found |= rids
    found.discard(NO_PICTURE)
    return sorted(found) if len(found) <= MOST else None


def _noted(catalogue: Catalogue, table: str, before: int, now: int) -> set[int] | None:
    if before == now:
        return set()
    if not 0 <= now - before <= KEPT:
        return None
    rows = catalogue.rows(f"SELECT rid FROM {table} WHERE version > ? AND version <= ?", (before, now))
    if len(rows) != now - before:  # one that an earlier version of this program counted was not noted
        return None
    return {int(row[0]) for row in rows}


def counting(catalogue: Catalogue, rids: Sequence[int]) -> set[tuple[int, str, str]]:
    """(row, dimension, target) of the tags of some pictures that count."""
    found: set[tuple[int, str, str]] = set()
    for start in range(0, len(rids), 500):
        part = list(rids[start : start + 500])
        marks = ",".join("?" * len(part))
        found.update(
            (int(row[0]), str(row[1]), str(row[2]))
            for row in catalogue.rows(
                f"SELECT rid, dimension, target FROM tag WHERE rid IN ({marks}) AND counts = 1", part
            )
        )
    return found
