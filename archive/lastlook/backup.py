"""Keep a second copy of an archive: consistent while it is in use, incremental by content, checked after writing.

    DIR/READ-ME.txt                       how to get everything back without this program
    DIR/originals/3f/3fa9…                each original once, under its checksum, read-only
    DIR/states/20270314T101500Z/          catalogue.db, decisions.jsonl, lastlook.toml, files.tsv

A state is a copy of the catalogue by SQLite's own backup, and the decisions as it holds them; originals are only ever
added, so every original of that state is there. A state appears under its name when all of it is on the disk; the last
by name is the last that was written, whatever the clock said.
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from lastlook import archive as archives
from lastlook import care_log
from lastlook.archive import SETTINGS_FILE, Archive
from lastlook.care_log import object_path
from lastlook.catalogue import Catalogue, decisions, media, plain
from lastlook.catalogue.media import Medium
from lastlook.errors import ArchiveDamaged, ArchiveError, ArchiveExists, UsageError
from lastlook.intake import fingerprint
from lastlook.locking import held
from lastlook.naming_targets import check_name
from lastlook.progress import Progress, Report, Stage, silent
from lastlook.relink import relink
from lastlook.store import Store

LEFT_IN_PLACE = "left-in-place"
_READ_ME = """A backup of a build's archive.

originals/ holds every photo and clip once, named by its SHA-256 checksum.
states/ holds, for each backup, files.tsv (checksum, size, the name and place of each file), decisions.jsonl (all that
was decided, as plain text), lastlook.toml (settings) and catalogue.db (SQLite).

'lastlook restore BACKUP NEW-FOLDER' makes an archive of it. Without that program: copy each file of files.tsv from
originals/ to its place.
"""


@dataclass(frozen=True, slots=True)
class Backed:
    """`copied` originals were new here, `kept` were there already; `missing` and `damaged` name originals that could
    not be kept, each with the reason. `good`: nothing is missing or damaged."""

    state: Path
    copied: int
    kept: int
    size_bytes: int
    missing: tuple[str, ...]
    damaged: tuple[str, ...]

    @property
    def good(self) -> bool:
        return not self.missing and not self.damaged


@dataclass(frozen=True, slots=True)
class Restored:
    archive: Archive
    files: int
    size_bytes: int
    moved: int
    problems: tuple[str, ...]


def backup(
    archive: Archive, target: Path, *, check_all: bool = False, report: Report = silent, now: datetime | None = None
) -> Backed:
    """Bring the backup in `target` up to date. `check_all` reads what was there already, too. Raises UsageError,
    ArchiveError; a state that could not be finished is not left."""
    target = target.absolute()
    real, own = target.resolve(), archive.root.resolve()
    if real.is_relative_to(own) or own.is_relative_to(real):
        raise UsageError("a backup cannot lie inside its archive, nor around it", "Choose another disk or folder.")
    _check_target(archive, target)
    stamp = (now or datetime.now(UTC)).astimezone(UTC)
    try:
        for name in ("originals", "states", "incoming"):
            (target / name).mkdir(parents=True, exist_ok=True)
        with held(target / "incoming" / "backup.lock", "another backup is being written there"):
            return _backup(archive, target, check_all, report, stamp)
    except OSError as error:
        raise ArchiveError(
            f"the backup could not be written: {(error.strerror or str(error)).lower()}",
            "Check the disk and its room, then run it again; what was copied is kept.",
        ) from error


def _check_target(archive: Archive, target: Path) -> None:
    if target.exists() and not target.is_dir():
        raise UsageError(f"{target} is a file", "Choose a folder.")
    if (target / "states").is_dir():
        if _uid_of(target) not in ("", _first_uid(archive.catalogue)):
            raise UsageError(f"{target} holds a backup of another archive", "Choose another folder for this one.")
    elif target.is_dir() and any(target.iterdir()):
        raise UsageError(f"{target} is not empty and holds no backup", "Choose an empty folder.")


def _uid_of(target: Path) -> str:
    """The first decision of the archive whose backup lies there: of the newest state that can be read."""
    for state in reversed(states_of(target)):
        with suppress(ArchiveError):  # damaged, as a disk may be: that is no reason to back up no more
            return _first_uid(state / "catalogue.db")
    return ""


def _first_uid(catalogue: Path) -> str:
    with Catalogue(catalogue, look_only=True) as opened:
        return decisions.uid_at(opened, 1)


def _backup(archive: Archive, target: Path, check_all: bool, report: Report, stamp: datetime) -> Backed:
    incoming = target / "incoming"
    for left in incoming.iterdir():  # of a run that was killed; nothing in here is anybody's only copy
        if left.suffix in {".staged", ".part"}:
            shutil.rmtree(left) if left.is_dir() else left.unlink()
    part = incoming / "state.part"
    part.mkdir()
    with Catalogue(archive.catalogue) as live:
        live.copy_to(part / "catalogue.db")
    with Catalogue(part / "catalogue.db", look_only=True) as copied:
        known = media.every(copied)
        plain.rewrite_plain(decisions.every(copied), part / "decisions.jsonl")
        broken = copied.integrity()
    if broken:
        raise ArchiveDamaged(f"the catalogue is damaged: {broken[0]}", "Run 'lastlook verify', then back it up again.")
    shutil.copyfile(archive.root / SETTINGS_FILE, part / SETTINGS_FILE)
    new = [medium for medium in known if not _held(target, medium)]
    room, needed = shutil.disk_usage(target).free, sum(medium.size_bytes for medium in new)
    if needed > room:
        raise ArchiveError(
            f"the backup needs {needed / 1e9:.2f} GB and {target} has room for {room / 1e9:.2f} GB", "Make room there."
        )
    missing: list[str] = []
    damaged: list[str] = []
    total = sum(medium.size_bytes for medium in known)
    done = copies = 0
    for number, medium in enumerate(known):
        report(Progress(Stage.COPY, number, len(known), done, total, medium.file))
        done += medium.size_bytes
        there = object_path(target, medium.sha256)
        if _held(target, medium):
            if check_all and _digest(there) != medium.sha256:
                there.chmod(0o600)
                there.rename(there.with_name(there.name + ".damaged"))  # kept aside: it may be all that is left
            else:
                continue
        fault = _copy(archive, medium, there, incoming)
        if fault is None:
            copies += 1
        elif fault.startswith("is missing"):
            missing.append(f"{medium.file} {fault}")
        else:
            damaged.append(f"{medium.file} {fault}")
    _write_list(known, part / "files.tsv")
    (target / "READ-ME.txt").write_text(_READ_ME, encoding="utf-8")
    state = target / "states" / _state_name(target, stamp)
    for path in part.iterdir():
        _sync(path)
    part.rename(state)
    _sync(state.parent)
    made = Backed(
        state, copies, len(known) - copies - len(missing) - len(damaged), total, tuple(missing), tuple(damaged)
    )
    care_log.add(
        archive,
        "backup",
        {"where": str(target), "state": state.name, "files": len(known), "size_bytes": total, "good": made.good},
        stamp,
    )
    return made


def _state_name(target: Path, stamp: datetime) -> str:
    """A name that comes after all that are there, or the newest state would not be restored: a clock that was ahead
    once has left a name of later, and what is written since is counted on from it."""
    name = stamp.strftime("%Y%m%dT%H%M%SZ")
    last = max((path.name for path in (target / "states").iterdir()), default="")
    if name > last:
        return name
    found = re.fullmatch(r"(.+)-(\d{4})", last)
    return f"{found[1]}-{int(found[2]) + 1:04}" if found else f"{last}-0002"


def _held(target: Path, medium: Medium) -> bool:
    try:
        return object_path(target, medium.sha256).stat().st_size == medium.size_bytes
    except OSError:
        return False


def _copy(archive: Archive, medium: Medium, there: Path, incoming: Path) -> str | None:
    """Copy one original and read the copy again; what is wrong with it, None where nothing is."""
    source = archive.original(medium.stored, medium.in_place)
    try:
        taken = fingerprint.take(os.fspath(source), staging=incoming)
    except fingerprint.Unreadable as unreadable:
        return "is missing" if not source.exists() else unreadable.problem.reason
    staged = taken.staged
    assert staged is not None
    if taken.sha256 != medium.sha256:
        staged.unlink()
        return "is damaged or was changed: its checksum is not that of the day it was taken in"
    _sync(staged)
    if _digest(staged) != medium.sha256:
        staged.unlink()
        raise ArchiveError(
            f"the copy of {medium.file} reads back differently", "The backup's disk may be failing; use another one."
        )
    there.parent.mkdir(exist_ok=True)
    staged.replace(there)
    there.chmod(0o444)
    return None


def _digest(path: Path) -> str:
    """The checksum of what is on the disk, as far as the system lets its memory be passed over."""
    with suppress(OSError, AttributeError):
        descriptor = os.open(path, os.O_RDONLY)
        try:
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
        finally:
            os.close(descriptor)
    try:
        return fingerprint.take(os.fspath(path)).sha256
    except fingerprint.Unreadable:
        return ""


def _sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _write_list(known: Sequence[Medium], path: Path) -> None:
    lines = ["sha256\tsize\tplace\tleft in place\tname\n"]
    for medium in known:
        place = "yes" if medium.in_place else "no"
        lines.append(f"{medium.sha256}\t{medium.size_bytes}\t{medium.stored}\t{place}\t{medium.file}\n")
    path.write_text("".join(lines), encoding="utf-8", errors="surrogateescape")


# ------------------------------------------------------------------------------------------------ restoring


def states_of(backup: Path) -> list[Path]:
    """The states of a backup, oldest first."""
    try:
        return sorted(path for path in (backup / "states").iterdir() if (path / "catalogue.db").is_file())
    except OSError:
        return []


def restore(backup: Path, out: Path, *, state: str = "", report: Report = silent) -> Restored:
    """Make an archive in the new folder `out` from a backup, from its newest state or the one named. Every file is
    checked as it is copied. Raises UsageError, ArchiveExists, ArchiveError."""
    states = states_of(backup)
    if not states:
        raise UsageError(f"{backup} holds no backup", "Name the folder that 'lastlook backup' was given.")
    chosen = states[-1] if not state else next((one for one in states if one.name.startswith(state)), None)
    if chosen is None:
        raise UsageError(f"there is no state {state!r}", f"States: {', '.join(one.name for one in states[-6:])}.")
    check_name(out)
    out = out.resolve()
    if out.is_relative_to(backup.resolve()):
        raise UsageError("an archive cannot lie inside its backup", "Choose a folder outside of it.")
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise ArchiveExists(f"{out} is there already and not empty", "Choose a new folder.")
    part = out.with_name(f".{out.name}.part")
    try:
        shutil.rmtree(part, ignore_errors=True)
        try:
            files, size, problems, aside = _restore(backup, chosen, part, report)
            if out.exists():
                out.rmdir()
            part.rename(out)
        finally:
            shutil.rmtree(part, ignore_errors=True)
    except OSError as error:
        raise ArchiveError(
            f"{out} could not be written: {(error.strerror or str(error)).lower()}", "Check the disk and its room."
        ) from error
    made = archives.open_at(out)
    moved = 0
    if aside:
        with Store(made) as store:
            moved = len(relink(store, [out / LEFT_IN_PLACE]).found)
    return Restored(made, files, size, moved, tuple(problems))


def _restore(backup: Path, state: Path, part: Path, report: Report) -> tuple[int, int, list[str], int]:
    part.mkdir(parents=True)
    for name in ("originals", "derived", "index", "incoming"):
        (part / name).mkdir()
    for name in ("catalogue.db", "decisions.jsonl", SETTINGS_FILE):
        shutil.copyfile(state / name, part / name)
    problems: list[str] = []
    with Catalogue(part / "catalogue.db", look_only=True) as catalogue:
        known = media.every(catalogue)
    aside = files = size = 0
    for number, medium in enumerate(known):
        report(Progress(Stage.COPY, number, len(known), note=medium.file))
        place = archives.text_to_path(medium.stored)
        if medium.in_place:
            if _digest(place) == medium.sha256 if place.is_file() else False:
                continue  # it still lies where it was left
            target = part / LEFT_IN_PLACE / medium.sha256[:8] / place.name
        else:
            target = part / place
            if not target.resolve().is_relative_to(part.resolve()):
                problems.append(f"{medium.file}: its place lies outside of the archive; it was left out")
                continue
        source = object_path(backup, medium.sha256)
        if not source.is_file():
            problems.append(f"{medium.file}: the backup does not hold it")
            continue
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source, target)
        os.utime(target, ns=(medium.mtime_ns, medium.mtime_ns))
        if _digest(target) != medium.sha256:
            target.unlink()
            problems.append(f"{medium.file}: the backup's copy is damaged")
            continue
        target.chmod(0o444)
        files, size, aside = files + 1, size + medium.size_bytes, aside + medium.in_place
    return files, size, problems, aside
