"""The texts in which names of the plan are looked for, read for the whole archive at once: where files were met, what
was spoken over clips. And which pictures know an item of the plan."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from lastlook.catalogue.connection import Catalogue

_PART = 500


def met(catalogue: Catalogue) -> Iterator[tuple[str, str, str]]:
    """(content, path, names of its folders as JSON) wherever content was met."""
    for row in catalogue.rows("SELECT sha256, path, folders FROM sighting"):
        yield row[0], row[1], row[2]


def spoken(catalogue: Catalogue) -> dict[str, list[str]]:
    """By clip, the texts of all captions that count for it."""
    found: dict[str, list[str]] = {}
    for clip, text in catalogue.rows(
        "SELECT o.clip, c.text FROM caption_of o JOIN cue c USING (sha256) ORDER BY o.clip, c.start_ms, c.n"
    ):
        found.setdefault(clip, []).append(text)
    return found


def knowing(catalogue: Catalogue, targets: Collection[str]) -> set[int]:
    """Rows of the pictures that have a tag or a proposal of any of these ids, refused ones too."""
    found: set[int] = set()
    for table in ("tag", "proposal"):
        for part in _parts(targets):
            marks = ",".join("?" * len(part))
            found.update(row[0] for row in catalogue.rows(f"SELECT rid FROM {table} WHERE target IN ({marks})", part))
    return found


def counting(catalogue: Catalogue, targets: Collection[str]) -> set[int]:
    """Rows of the pictures that count as tagged with any of these ids."""
    found: set[int] = set()
    for part in _parts(targets):
        marks = ",".join("?" * len(part))
        sql = f"SELECT rid FROM tag WHERE target IN ({marks}) AND counts = 1"
        found.update(row[0] for row in catalogue.rows(sql, part))
    return found


def _parts(targets: Collection[str]) -> Iterator[list[str]]:
    ordered = sorted(targets)
    for start in range(0, len(ordered), _PART):
        yield ordered[start : start + _PART]
