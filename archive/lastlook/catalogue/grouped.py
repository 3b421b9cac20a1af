"""What near-duplicates are grouped by, and the groups."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from lastlook.catalogue import changes
from lastlook.catalogue.connection import Catalogue
from lastlook.records import Dimension


def for_grouping(catalogue: Catalogue) -> list[tuple[int, int, int]]:
    """(rid, taken_ms, phash unsigned) of all pictures with both, in order of time."""
    rows = catalogue.rows(
        "SELECT rid, taken_ms, phash FROM picture WHERE taken_ms IS NOT NULL AND phash IS NOT NULL"
        " ORDER BY taken_ms, rid"
    )
    return [(row[0], row[1], row[2] & 0xFFFF_FFFF_FFFF_FFFF) for row in rows]


def for_comparing(catalogue: Catalogue, subassemblies: Sequence[str]) -> list[tuple[int, int | None, int | None, bool]]:
    """(rid, phash unsigned, group, whether a counted tag names one of `subassemblies`) of all pictures that can be
    shown, in order of rid. Few questions for the whole archive, since it is asked while a person waits."""
    tagged: set[int] = set()
    for target in subassemblies:
        rows = catalogue.rows(
            "SELECT rid FROM tag WHERE dimension = ? AND target = ? AND counts = 1",
            (Dimension.SUBASSEMBLY.value, target),
        )
        tagged.update(int(row[0]) for row in rows)
    every = catalogue.rows("SELECT rid, phash, group_id FROM picture WHERE page <> '' ORDER BY rid")
    return [
        (rid, None if phash is None else phash & 0xFFFF_FFFF_FFFF_FFFF, group, rid in tagged)
        for rid, phash, group in every
    ]


def set_groups(catalogue: Catalogue, groups: Mapping[int, int]) -> None:
    """Give each picture of `groups` (rid → lowest rid of its group) its group; all others stand alone."""
    now = {
        int(row[0]): row[1] for row in catalogue.rows("SELECT rid, group_id FROM picture WHERE group_id IS NOT NULL")
    }
    changed: list[tuple[int | None, int]] = [(None, rid) for rid in now if rid not in groups]
    changed += [(group, rid) for rid, group in groups.items() if now.get(rid) != group]
    catalogue.execute_many("UPDATE picture SET group_id = ? WHERE rid = ?", changed)
    if changed:
        changes.note(catalogue, "times", [rid for _, rid in changed])  # what is kept of pictures holds their groups too
