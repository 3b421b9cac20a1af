"""Find originals again that were moved, by content, never by name: an archive on another disk keeps every link."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from lastlook import keeping
from lastlook.archive import path_to_text
from lastlook.catalogue import decisions, media
from lastlook.catalogue.media import Medium
from lastlook.errors import UsageError
from lastlook.intake import fingerprint
from lastlook.progress import Progress, Report, Stage, silent
from lastlook.projecting import project
from lastlook.store import Store


@dataclass(frozen=True, slots=True)
class Relinked:
    """`found`: (name, where it is now); `missing`: names of originals that are still not found;
    `unlike`: (name, where) of files that have the name of one of these and are not the same."""

    found: tuple[tuple[str, Path], ...]
    missing: tuple[str, ...]
    looked_at: int
    unlike: tuple[tuple[str, Path], ...] = ()


def lost(store: Store) -> list[Medium]:
    """Originals that are not where the catalogue says."""
    return [medium for medium in media.every(store.catalogue) if not keeping.is_there(store.archive, medium)]


def relink(store: Store, paths: Sequence[Path], *, report: Report = silent) -> Relinked:
    """Look through files and folders for originals that are gone from their places, and note where each is now.

    Only files of a size that is missed are read. Each find is recorded as a sighting. Raises UsageError.
    """
    for path in paths:
        if not path.exists():
            raise UsageError(f"there is no {path}", "Name the file or folder where the clips are now.")
    wanted: dict[int, list[Medium]] = {}
    for medium in lost(store):
        wanted.setdefault(medium.size_bytes, []).append(medium)
    names = {medium.file for each in wanted.values() for medium in each}
    found: list[tuple[str, Path]] = []
    unlike: dict[str, Path] = {}
    looked = 0
    for path in _files(paths):
        if not wanted:
            break
        try:
            size = path.stat().st_size
        except OSError:
            continue
        looked += 1
        report(Progress(Stage.SCAN, looked, note=path.name))
        match = None
        if size in wanted:
            try:
                taken = fingerprint.take(os.fspath(path))
            except fingerprint.Unreadable:
                continue
            match = next((medium for medium in wanted[size] if medium.sha256 == taken.sha256), None)
        if match is None:
            if path.name in names:
                unlike.setdefault(path.name, path.absolute())
            continue
        _note(store, match, path.absolute(), taken)
        found.append((match.file, path.absolute()))
        wanted[size].remove(match)
        if not wanted[size]:
            del wanted[size]
    missing = tuple(medium.file for each in wanted.values() for medium in each)
    return Relinked(tuple(found), missing, looked, tuple((name, unlike[name]) for name in missing if name in unlike))


def _note(store: Store, medium: Medium, path: Path, taken: fingerprint.Fingerprint) -> None:
    body = {
        "sha256": medium.sha256,
        "source": path_to_text(path),
        "folders": [],
        "size_bytes": taken.size_bytes,
        "mtime_ns": taken.mtime_ns,
        # A clip that lies in the archive's own folder again is in its place; anything else is left where it is.
        **_place(store, medium, path),
        **({"belongs_to": medium.belongs_to} if medium.kind == "captions" else {}),
    }
    with store.deciding():
        decision = decisions.append(store.catalogue, "sighting", body, by=store.by)
        keeping.sight(store, decision)
        project(store, decision)


def _place(store: Store, medium: Medium, path: Path) -> dict[str, object]:
    originals = store.archive.originals.resolve()
    real = path.resolve()
    if not medium.in_place and real.is_relative_to(originals):
        return {"stored": path_to_text(real.relative_to(store.archive.root.resolve())), "in_place": False}
    return {"stored": path_to_text(path), "in_place": True}


def _files(paths: Sequence[Path]) -> Iterator[Path]:
    for path in paths:
        if path.is_file():
            yield path
        else:
            for base, folders, names in os.walk(path):
                folders.sort()
                yield from (Path(base) / name for name in sorted(names))
