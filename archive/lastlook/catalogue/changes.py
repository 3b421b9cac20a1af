"""Which pictures' tags have changed: every count of the counter "tags" with the picture it was counted for, so that
what was made of all tags can be brought up to date by those that changed."""

from __future__ import annotations

from collections.abc import Sequence

from lastlook.catalogue.connection import Catalogue

KEPT = 20_000
"""So many changes are remembered."""

MOST = 2_000
"""Where more pictures have changed, reading everything is as quick."""


def note(catalogue: Catalogue, rids: Sequence[int]) -> None:
    """Count the counter of tags up for each of some pictures. In the transaction that changes their tags."""
    before = catalogue.counters()["tags"]
    now = before + len(rids)
    catalogue.execute("UPDATE counter SET value = ? WHERE name = 'tags'", (now,))
    noted = zip(range(before + 1, now + 1), rids, strict=True)
    catalogue.execute_many("INSERT OR REPLACE INTO tag_change VALUES (?, ?)", list(noted)[-KEPT:])
    catalogue.execute("DELETE FROM tag_change WHERE version <= ?", (now - KEPT,))


def since(catalogue: Catalogue, before: int, now: int) -> list[int] | None:
    """Rows of the pictures whose tags have changed between two counts, in order; None where that is not known whole,
    or is too much to be worth it."""
    if not 0 <= now - before <= KEPT:
        return None
    rows = catalogue.rows("SELECT rid FROM tag_change WHERE version > ? AND version <= ?", (before, now))
    if len(rows) != now - before:  # one that an earlier version of this program counted was not noted
        return None
    found = sorted({int(row[0]) for row in rows})
    return found if len(found) <= MOST else None


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
