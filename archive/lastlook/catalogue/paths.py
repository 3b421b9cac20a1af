"""What was met at which path: content that was taken in, or a file that could not be used."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from lastlook.catalogue.connection import Catalogue, meaning
from lastlook.records import Problem


@dataclass(frozen=True, slots=True)
class Sighting:
    """A path at which content was met, with the size and modification time it had, and the decision that says so."""

    path: str
    sha256: str
    size_bytes: int
    mtime_ns: int
    seq: int
    folders: tuple[str, ...] = ()


def sightings(catalogue: Catalogue) -> dict[str, Sighting]:
    """The last sighting of each path: one read, so that looking at an unchanged folder again costs no query a file."""
    rows = catalogue.rows("SELECT path, sha256, size_bytes, mtime_ns, seq FROM sighting ORDER BY seq")
    return {row[0]: Sighting(row[0], row[1], row[2], row[3], row[4]) for row in rows}


def add_sighting(catalogue: Catalogue, sighting: Sighting) -> None:
    catalogue.execute(
        "INSERT OR REPLACE INTO sighting (path, sha256, size_bytes, mtime_ns, seq, folders) VALUES (?, ?, ?, ?, ?, ?)",
        (
            sighting.path,
            sighting.sha256,
            sighting.size_bytes,
            sighting.mtime_ns,
            sighting.seq,
            json.dumps(sighting.folders, ensure_ascii=False),
        ),
    )


def sightings_of(catalogue: Catalogue, contents: Sequence[str]) -> dict[str, list[Sighting]]:
    """Where each of these contents was met, in the order of meeting."""
    found: dict[str, list[Sighting]] = {}
    for start in range(0, len(contents), 500):
        part = contents[start : start + 500]
        marks = ",".join("?" * len(part))
        for row in catalogue.rows(
            f"SELECT path, sha256, size_bytes, mtime_ns, seq, folders FROM sighting WHERE sha256 IN ({marks})"
            " ORDER BY seq, path",
            part,
        ):
            with meaning(f"where {row[0]!r} was met"):
                met = Sighting(row[0], row[1], row[2], row[3], row[4], tuple(json.loads(row[5])))
            found.setdefault(row[1], []).append(met)
    return found


def beside(catalogue: Catalogue, path: str) -> list[tuple[str, str, str]]:
    """(name, content, camera) of the photos and clips that were met in the same folder as `path`, by name."""
    folder, slash, _ = path.rpartition("/")
    if not slash:
        return []
    rows = catalogue.rows(
        "SELECT s.path, s.sha256, m.camera FROM sighting s JOIN medium m USING (sha256)"
        " WHERE s.path > ? AND s.path < ? AND m.kind <> 'captions' ORDER BY s.path, s.sha256",
        (folder + "/", folder + "0"),  # "0" comes next after "/"
    )
    start = len(folder) + 1
    return [(path[start:], sha256, camera) for path, sha256, camera in rows if "/" not in path[start:]]


def add_problem(catalogue: Catalogue, problem: Problem, at: datetime) -> None:
    """List a problem, in place of an earlier one of the same path."""
    catalogue.execute(
        "INSERT OR REPLACE INTO problem VALUES (?, ?, ?, ?, ?)",
        (problem.path, problem.reason, problem.hint, int(problem.kept), at.isoformat(timespec="milliseconds")),
    )


def problem_at(catalogue: Catalogue, path: str) -> Problem | None:
    """The problem that is listed for a path."""
    row = catalogue.row("SELECT path, reason, hint, kept FROM problem WHERE path = ?", (path,))
    return Problem(str(row[0]), str(row[1]), str(row[2]), bool(row[3])) if row else None


def drop_problem(catalogue: Catalogue, path: str) -> None:
    """The file at this path was read after all."""
    catalogue.execute("DELETE FROM problem WHERE path = ?", (path,))


def problems(catalogue: Catalogue) -> list[Problem]:
    rows = catalogue.rows("SELECT path, reason, hint, kept FROM problem ORDER BY path")
    return [Problem(str(row[0]), str(row[1]), str(row[2]), bool(row[3])) for row in rows]
