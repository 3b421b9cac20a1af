"""Which pictures look alike, as far as anybody has looked: links between two pictures with how many places agree.

Derived data: found again from the pictures themselves, and never a decision. A link is found once and used both ways;
what it proposes depends on what people said of the other picture.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from lastlook.catalogue.connection import Catalogue


def of(catalogue: Catalogue, rids: Sequence[int]) -> dict[int, list[tuple[int, int]]]:
    """{row: [(row of a picture alike, places that agree)]}, the best first; rows without any are left out."""
    found: dict[int, list[tuple[int, int]]] = {}
    for start in range(0, len(rids), 500):
        part = list(rids[start : start + 500])
        marks = ",".join("?" * len(part))
        for one, other, agreeing in catalogue.rows(
            "SELECT a.rid, b.rid, l.agreeing FROM resemblance l JOIN picture a ON a.id = l.one"
            f" JOIN picture b ON b.id = l.other WHERE a.rid IN ({marks}) ORDER BY a.rid, l.agreeing DESC, b.id",
            part,
        ):
            found.setdefault(one, []).append((other, agreeing))
    return found


def compared(catalogue: Catalogue, role: str) -> set[str]:
    """Ids of the pictures that were compared: every 'tagged' one with every 'other' one."""
    return {str(row[0]) for row in catalogue.rows("SELECT picture FROM compared WHERE role = ?", (role,))}


def keep(catalogue: Catalogue, links: Iterable[tuple[str, str, int]]) -> None:
    """Keep links (one, other, agreeing), each both ways."""
    rows = [each for one, other, agreeing in links for each in ((one, other, agreeing), (other, one, agreeing))]
    catalogue.execute_many("INSERT OR REPLACE INTO resemblance VALUES (?, ?, ?)", rows)


def set_compared(catalogue: Catalogue, ids: Iterable[str], role: str) -> None:
    catalogue.execute_many("INSERT OR IGNORE INTO compared VALUES (?, ?)", ((id, role) for id in ids))


def forget(catalogue: Catalogue) -> None:
    """Forget every link: they are to be found anew."""
    catalogue.execute("DELETE FROM resemblance")
    catalogue.execute("DELETE FROM compared")
