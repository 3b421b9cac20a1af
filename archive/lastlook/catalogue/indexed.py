"""What the text index still has to learn, and what it learns of each picture."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from lastlook.catalogue.connection import Catalogue


def unindexed(catalogue: Catalogue, limit: int = 5000) -> list[int]:
    return [int(row[0]) for row in catalogue.rows("SELECT rid FROM unindexed ORDER BY rid LIMIT ?", (limit,))]


def waiting(catalogue: Catalogue) -> int:
    """How many pictures the text index has yet to learn."""
    row = catalogue.row("SELECT COUNT(*) FROM unindexed")
    return int(row[0]) if row else 0


def mark_indexed(catalogue: Catalogue, rids: Iterable[int]) -> None:
    catalogue.execute_many("DELETE FROM unindexed WHERE rid = ?", ((rid,) for rid in rids))


def words_of(catalogue: Catalogue, rids: Sequence[int]) -> Iterator[tuple[int, str, str, str, list[tuple[str, str]]]]:
    """(rid, file, caption, spoken, [(dimension, target) that count]) : what the text index learns of each picture."""
    for start in range(0, len(rids), 500):
        part = list(rids[start : start + 500])
        marks = ",".join("?" * len(part))
        targets: dict[int, list[tuple[str, str]]] = {}
        for rid, dimension, target in catalogue.rows(
            f"SELECT rid, dimension, target FROM tag WHERE rid IN ({marks}) AND counts = 1"
            " ORDER BY rid, dimension, target",
            part,
        ):
            targets.setdefault(rid, []).append((dimension, target))
        for rid, file, caption, spoken in catalogue.rows(
            "SELECT p.rid, m.file, p.caption, p.spoken FROM picture p JOIN medium m USING (sha256)"
            f" WHERE p.rid IN ({marks}) ORDER BY p.rid",
            part,
        ):
            yield rid, file, caption, spoken, targets.get(rid, [])
