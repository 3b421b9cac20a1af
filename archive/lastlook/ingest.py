"""Take photos and clips into the archive: scan, read on workers, keep.

Workers read and copy into `incoming/`; this thread alone moves a copy to its place in `originals/` and then commits
what was read, some files at a time. A file is in the catalogue with its pictures, its time and its tags, or not at all;
what a killed run leaves in `incoming/` is swept by the next one, and an original that was moved but not committed is
met again by its content when its file is read again.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path, PurePath

from lastlook import grouping, keeping, proposing, retime
from lastlook.archive import path_to_text
from lastlook.catalogue import decisions, media
from lastlook.catalogue.media import Medium, Sighting
from lastlook.errors import UsageError
from lastlook.intake import fingerprint, reader
from lastlook.intake.captions import read_captions
from lastlook.intake.discover import Company, Discovery, Found, FoundKind, discover, keep_company
from lastlook.intake.settings import IntakeSettings
from lastlook.keeping import CaptionFile
from lastlook.locking import held
from lastlook.progress import Progress, Report, Stage, silent
from lastlook.records import Problem, Reading
from lastlook.store import Store

_BATCH_FILES = 40
_BATCH_SECONDS = 1.0


@dataclass(frozen=True, slots=True)
class Ingested:
    """What a run did. `added` counts new photos and clips, `known` files whose content was there, `stills` new stills,
    `captions` new caption files, `linked` motion clips put to their photos, `skipped` hidden and system files.
    `problems` are all files that were not taken in whole. `stopped`: interrupted; what was read is kept."""

    added: int = 0
    known: int = 0
    stills: int = 0
    captions: int = 0
    linked: int = 0
    skipped: int = 0
    problems: tuple[Problem, ...] = ()
    stopped: bool = False


def intake_settings(store: Store, *, in_place: bool = False) -> IntakeSettings:
    """What the workers are told for this archive."""
    settings = store.archive.settings
    return IntakeSettings(
        derived=store.archive.derived,
        staging=None if in_place else store.archive.incoming,
        max_pixels=int(settings.max_megapixels * 1_000_000),
        still_interval_ms=int(settings.still_interval_s * 1000),
        hold_ms=int(settings.hold_s * 1000),
    )


def ingest(
    store: Store,
    paths: Sequence[Path],
    *,
    executor: Executor,
    leave_in_place: bool = False,
    report: Report = silent,
    window: int = 8,
) -> Ingested:
    """Take in files and folders. `window`: how many files may be under way on the executor at once.

    Raises UsageError where a path does not exist, ArchiveBusy where another ingest is at work. KeyboardInterrupt is
    answered by keeping what was read and returning with `stopped`.
    """
    for path in paths:
        if not path.exists() and not path.is_symlink():
            raise UsageError(f"there is no {path}", "Check the name; give files or folders.")
    with held(store.archive.incoming / "ingest.lock", "another ingest is at work in this archive"):
        _sweep(store.archive.incoming)
        report(Progress(Stage.SCAN, 0))
        listed = discover(paths)
        run = _Run(store, leave_in_place, _roots(paths))
        try:
            run.take(listed, executor, window, report)
        except KeyboardInterrupt:
            run.stopped = True
        run.finish(report)
    return Ingested(
        added=run.added - run.linked,
        known=run.known,
        stills=run.stills,
        captions=run.captions,
        linked=run.linked,
        skipped=listed.skipped,
        problems=tuple(run.problems),
        stopped=run.stopped,
    )


@dataclass
class _Run:
    """One run of ingest. Everything that it changes, it changes on this thread."""

    store: Store
    in_place: bool
    roots: Mapping[str, str]
    added: int = 0
    known: int = 0
    stills: int = 0
    captions: int = 0
    linked: int = 0
    problems: list[Problem] = field(default_factory=list)
    stopped: bool = False
    company: Company = field(default_factory=lambda: Company({}, {}, {}, ()))
    _seen: dict[str, Sighting] = field(default_factory=dict)
    _batch: list[Reading | Problem] = field(default_factory=list)
    _since: float = 0.0
    _changed: bool = False

    def take(self, listed: Discovery, executor: Executor, window: int, report: Report) -> None:
        self._seen = media.sightings(self.store.catalogue)
        self.company = keep_company(listed.found)
        alone = set(self.company.alone)
        thumbs = set(self.company.thumbs.values())
        todo: list[Found] = []
        for problem in listed.problems:
            self._batch.append(problem)
        for found in listed.found:
            if found.kind is FoundKind.OTHER:
                self._batch.append(
                    Problem(found.path, "is no photo, clip or caption file", "It was left out; nothing needs doing.")
                )
            elif found.kind is FoundKind.SIDECAR and found.path not in alone:
                if found.path in thumbs:
                    continue  # the small picture a camera writes beside a clip; the clip says more
            elif found.kind is FoundKind.SIDECAR and not found.path.lower().endswith(".thm"):
                self._batch.append(
                    Problem(
                        found.path,
                        "is a caption file without a clip of the same name",
                        "Put it beside its clip under the clip's name, then take both in.",
                    )
                )
            elif self._is_known(found):
                self.known += 1
            else:
                todo.append(found)
        self._read(todo, executor, window, report)
        self._commit()
        self._take_captions(listed)

    def finish(self, report: Report) -> None:
        """Keep what was read so far, put motion clips to their photos, group near-duplicates."""
        self._commit()
        if self._changed:
            report(Progress(Stage.GROUP, 0))
            with self.store.catalogue.writing():
                self.linked = keeping.link_motion_clips(self.store, self.company.motion)
                grouping.regroup(self.store.catalogue)
            report(Progress(Stage.INDEX, 0))
        with self.store.deciding():
            pass  # catches the plain-text copy and the text index up

    def _is_known(self, found: Found) -> bool:
        seen = self._seen.get(path_to_text(found.path))
        return seen is not None and (seen.size_bytes, seen.mtime_ns) == (found.size_bytes, found.mtime_ns)

    def _read(self, todo: Sequence[Found], executor: Executor, window: int, report: Report) -> None:
        settings = intake_settings(self.store, in_place=self.in_place)
        total_bytes = sum(found.size_bytes for found in todo)
        done = done_bytes = 0
        waiting: dict[Future[Reading | Problem], Found] = {}
        queue = iter(todo)
        self._since = time.monotonic()
        try:
            report(Progress(Stage.READ, 0, len(todo), 0, total_bytes))
            while True:
                while len(waiting) < window and (found := next(queue, None)) is not None:
                    waiting[executor.submit(reader.read_one, found.path, settings)] = found
                if not waiting:
                    break
                finished, _ = wait(waiting, timeout=_BATCH_SECONDS, return_when=FIRST_COMPLETED)
                for future in finished:
                    found = waiting.pop(future)
                    self._batch.append(future.result())
                    done += 1
                    done_bytes += found.size_bytes
                    report(Progress(Stage.READ, done, len(todo), done_bytes, total_bytes, PurePath(found.path).name))
                if len(self._batch) >= _BATCH_FILES or time.monotonic() - self._since >= _BATCH_SECONDS:
                    self._commit()
        finally:
            for future in waiting:
                future.cancel()

    def _commit(self) -> None:
        """Put originals in their places and commit all that was read since the last time, in one transaction."""
        batch, self._batch = self._batch, []
        self._since = time.monotonic()
        if not batch:
            return
        rids: list[int] = []
        with self.store.catalogue.writing():
            for item in batch:
                if isinstance(item, Problem):
                    self._refuse(item)
                else:
                    rids.extend(self._keep(item))
            proposing.propose(self.store, rids)
        decisions.write_plain(self.store.catalogue, self.store.archive.decisions)

    def _keep(self, reading: Reading) -> list[int]:
        store, catalogue = self.store, self.store.catalogue
        media.drop_problem(catalogue, path_to_text(reading.path))
        problem = keeping.kept_problem(reading, reading.path)
        if problem is not None:
            self._list(problem)
        known = media.get(catalogue, reading.sha256)
        if known is not None:
            return self._meet_again(reading, known)
        name = PurePath(reading.path).name
        reading = keeping.own_claims(reading, _printable(name), reading.mtime_ns)
        medium = media.from_reading(reading, file=_printable(name), stored="", in_place=self.in_place)
        if self.in_place:
            stored = path_to_text(reading.path)
        else:
            folder = keeping.day_folder(retime.resolve_medium(catalogue, store.zone, medium), store.zone)
            staged = fingerprint.staged_path(store.archive.incoming, reading.sha256)
            stored = keeping.place(store.archive, staged, name, reading.sha256, folder)
        medium = media.stored_at(medium, stored)
        self._arrive(medium, reading.path)
        rids = keeping.add_medium(store, medium, reading)
        self.added += 1
        self.stills += len(reading.stills)
        self._changed = True
        return rids

    def _meet_again(self, reading: Reading, known: Medium) -> list[int]:
        """Content that is there already, under another name or in another place: its folders and name may say more."""
        self.known += 1
        if not self.in_place:
            fingerprint.staged_path(self.store.archive.incoming, reading.sha256).unlink(missing_ok=True)
        self._sight(reading.path, reading.sha256, reading.size_bytes, reading.mtime_ns)
        return keeping.rids_of(self.store, known)

    def _sight(self, path: str, sha256: str, size_bytes: int, mtime_ns: int) -> None:
        body = {
            "sha256": sha256,
            "source": path_to_text(path),
            "folders": self._folders(path),
            "size_bytes": size_bytes,
            "mtime_ns": mtime_ns,
        }
        decision = decisions.append(self.store.catalogue, "sighting", body, by=self.store.by)
        keeping.sight(self.store, decision)

    def _arrive(self, medium: Medium, path: str) -> None:
        body = {
            "sha256": medium.sha256,
            "media": medium.kind,
            "file": medium.file,
            "source": path_to_text(path),
            "folders": self._folders(path),
            "stored": medium.stored,
            "in_place": medium.in_place,
            "size_bytes": medium.size_bytes,
            "mtime_ns": medium.mtime_ns,
            "belongs_to": medium.belongs_to,
        }
        decision = decisions.append(self.store.catalogue, "arrival", body, by=self.store.by)
        keeping.sight(self.store, decision)

    def _folders(self, path: str) -> list[str]:
        """Names of the folders a file lay in, from the one that was given down: what the builder named."""
        parents = PurePath(path).parents
        root = next((self.roots[str(parent)] for parent in parents if str(parent) in self.roots), None)
        if root is None:
            return [_printable(PurePath(path).parent.name)]
        inside = PurePath(path).parent.relative_to(root).parts
        return [_printable(part) for part in (PurePath(root).name, *inside) if part]

    def _refuse(self, problem: Problem) -> None:
        body = {
            "source": path_to_text(problem.path),
            "reason": problem.reason,
            "hint": problem.hint,
            "kept": problem.kept,
        }
        last = decisions.last_about(self.store.catalogue, "refused", f"file:{body['source']}")
        if last is None or dict(last.body) != body:
            decisions.append(self.store.catalogue, "refused", body, by=self.store.by)
        self._list(problem)

    def _list(self, problem: Problem) -> None:
        self.problems.append(problem)
        shown = Problem(path_to_text(problem.path), problem.reason, problem.hint, problem.kept)
        media.add_problem(self.store.catalogue, shown, datetime.now(UTC))

    def _take_captions(self, listed: Discovery) -> None:
        """Caption files come last, since they belong to clips."""
        sidecars = {found.path: found for found in listed.found if found.kind is FoundKind.SIDECAR}
        seen = media.sightings(self.store.catalogue)
        for clip_path, caption_paths in sorted(self.company.captions.items()):
            clip = seen.get(path_to_text(clip_path))
            if clip is None:
                continue  # the clip itself was refused, and is listed
            for path in caption_paths:
                if self._is_known(sidecars[path]):
                    self.known += 1
                else:
                    self._take_caption(path, clip.sha256)

    def _take_caption(self, path: str, clip: str) -> None:
        store = self.store
        read = read_captions(Path(path))
        try:
            taken = fingerprint.take(path, staging=None if self.in_place else store.archive.incoming)
        except fingerprint.Unreadable as unreadable:
            read = unreadable.problem
        if isinstance(read, Problem):
            self._batch.append(read)
            return
        with store.catalogue.writing():
            if media.get(store.catalogue, taken.sha256) is not None:
                self.known += 1
                self._sight(path, taken.sha256, taken.size_bytes, taken.mtime_ns)
                return
            name = PurePath(path).name
            file = CaptionFile(path, taken, read, clip)
            stored = path_to_text(path)
            if not self.in_place and taken.staged is not None:
                stored = keeping.place(store.archive, taken.staged, name, taken.sha256, keeping.folder_of(store, clip))
            medium = keeping.caption_medium(file, _printable(name), stored, in_place=self.in_place)
            self._arrive(medium, path)
            keeping.add_captions(store, medium, read)
            self.captions += 1
            media.drop_problem(store.catalogue, path_to_text(path))
        decisions.write_plain(store.catalogue, store.archive.decisions)


def _roots(paths: Sequence[Path]) -> dict[str, str]:
    """Folders that were given, by absolute path."""
    absolute = [str(path.absolute()) for path in paths if path.is_dir()]
    return {path: path for path in absolute}


def _sweep(incoming: Path) -> None:
    """Remove what a killed run left half-way. Only our own copies lie here."""
    for entry in incoming.iterdir():
        if entry.suffix in {".staged", ".part"}:
            entry.unlink(missing_ok=True)


def _printable(name: str) -> str:
    """A name whatever bytes it has, as it can be stored and shown."""
    return name.encode("utf-8", "backslashreplace").decode("utf-8")
