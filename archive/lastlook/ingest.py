"""Take photos and clips into the archive: scan, read on workers, commit.

Workers read and copy into `incoming/`; this thread alone moves a copy to its place in `originals/` and then commits
what was read (see `committing`), in the order in which the files were listed, so that two runs over the same files make
the same archive. What a killed run leaves in `incoming/` is swept by the next one, and an original that was moved but
not committed is met again by its content when its file is read again.
"""

from __future__ import annotations

import logging
import os
import time
from collections.abc import Iterable, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, wait
from dataclasses import dataclass
from functools import partial
from pathlib import Path, PurePath

from lastlook import grouping, keeping, projecting, reading_codes, retime
from lastlook.archive import Archive, path_to_text, text_to_path
from lastlook.catalogue import media, paths, pending, pictures, plain
from lastlook.catalogue.media import Place
from lastlook.catalogue.paths import Sighting
from lastlook.committing import Committer
from lastlook.errors import ArchiveError, LastlookError, UsageError
from lastlook.intake import reader
from lastlook.intake.discover import THUMB_EXTENSION, Company, Discovery, Found, FoundKind, discover, keep_company
from lastlook.intake.settings import IntakeSettings
from lastlook.locking import held
from lastlook.progress import Progress, Report, Stage, silent
from lastlook.records import Problem, Reading
from lastlook.store import Store

_log = logging.getLogger(__name__)

_BUSY = "another ingest is at work in this archive"
_BATCH_FILES = 40
_BATCH_SECONDS = 1.0
_AHEAD = 500  # how many files may have been read behind one that is still being read


@dataclass(frozen=True, slots=True)
class Ingested:
    """What a run did. `added` counts new photos and clips, `known` files whose content was there, `stills` new stills,
    `captions` new caption files, `linked` motion clips put to their photos, `skipped` hidden and system files, and the
    small pictures that cameras write beside clips.
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

    Raises UsageError where a path does not exist, ArchiveBusy where another ingest is at work, ArchiveError where the
    archive cannot be written; what was read before is kept. KeyboardInterrupt is answered by keeping what was read and
    returning with `stopped`.
    """
    for path in paths:
        if not os.path.lexists(path):
            raise UsageError(f"there is no {path}", "Check the name; give files or folders.")
    with held(store.archive.incoming / "ingest.lock", _BUSY):
        with store.catalogue.writing():
            plain.check_plain(store.catalogue, store.archive.decisions)
        _sweep(store.archive.incoming, store.archive.derived)
        report(Progress(Stage.SCAN, 0))
        own, others = _own_parts(store, paths)
        listed = discover(others)
        run = _Run(store, leave_in_place, _roots(others), listed)
        run.refuse(own)
        try:
            run.take(executor, window, report)
            run.search(executor, window, report)
        except KeyboardInterrupt:
            run.stopped = True
        run.finish(report)
        if not run.stopped:  # a reader that was ended left its copy; one that is being stopped may still be writing
            _sweep(store.archive.incoming, store.archive.derived)
    counts = run.committer.counts
    return Ingested(
        added=counts.added,
        known=counts.known,
        stills=counts.stills,
        captions=counts.captions,
        linked=len(counts.linked),
        skipped=listed.skipped + run.thumbs,
        problems=tuple(counts.problems),
        stopped=run.stopped,
    )


class _Run:
    """One run of ingest."""

    def __init__(self, store: Store, in_place: bool, roots: Sequence[Path], listed: Discovery) -> None:
        self.store = store
        self.in_place = in_place
        self.stopped = False
        self.thumbs = 0
        self._listed = listed
        self._seen = paths.sightings(store.catalogue)
        self._places = media.places(store.catalogue)
        self._company = _company(listed, self._seen, self._places)
        self.committer = Committer(store, in_place=in_place, roots=roots, company=self._company, seen=self._seen)
        self._batch: list[Reading | Problem] = []
        self._since = time.monotonic()

    def refuse(self, problems: Iterable[Problem]) -> None:
        self._batch.extend(problems)

    def take(self, executor: Executor, window: int, report: Report) -> None:
        alone = set(self._company.alone)
        thumbs = set(self._company.thumbs.values())
        todo: list[Found] = []
        self.refuse(self._listed.problems)
        for found in self._listed.found:
            if found.kind is FoundKind.OTHER:
                self._batch.append(
                    Problem(found.path, "is no photo, clip or caption file", "It was left out; nothing needs doing.")
                )
            elif found.path in thumbs:
                self.thumbs += 1  # the small picture a camera writes beside a clip; the clip says more
            elif found.kind is FoundKind.SIDECAR and not found.path.lower().endswith(THUMB_EXTENSION):
                if found.path in alone:
                    self._batch.append(
                        Problem(
                            found.path,
                            "is a caption file without a clip of the same name",
                            "Put it beside its clip under the clip's name, then take both in.",
                        )
                    )
            elif self._is_known(found):
                self.committer.counts.known += 1
            else:
                todo.append(found)
        # Photos first: they are quick, and can be asked for while hours of recordings are still being read.
        todo.sort(key=lambda found: found.kind is FoundKind.CLIP)
        self._read(todo, executor, window, report)
        self._flush()
        self._take_captions()

    def search(self, executor: Executor, window: int, report: Report) -> None:
        """Search the new pictures for cards, now that all files are in."""
        settings = intake_settings(self.store, in_place=self.in_place)
        reading_codes.read_codes(self.store, settings, executor=executor, report=report, window=window)

    def finish(self, report: Report) -> None:
        """Keep what was read so far, group near-duplicates, let the text index learn."""
        self._flush()
        catalogue = self.store.catalogue
        if pending.owed(catalogue, pending.NEIGHBOURS):
            with catalogue.writing():
                pending.done(catalogue, pending.NEIGHBOURS)
                moved = retime.beside(catalogue, self.store.zone)
                if moved:
                    projecting.follow_times(self.store, partial(pictures.set_times, catalogue, moved))
        if pending.owed(catalogue, pending.GROUPING):
            report(Progress(Stage.GROUP, 0))
            with catalogue.writing():
                grouping.regroup(catalogue)
        report(Progress(Stage.INDEX, 0))
        with self.store.deciding():
            pass  # catches the plain-text copy and the text index up

    def _is_known(self, found: Found) -> bool:
        """Met at this path before, unchanged since, and its original lies where it should."""
        seen = self._seen.get(path_to_text(found.path))
        if seen is None or (seen.size_bytes, seen.mtime_ns) != (found.size_bytes, found.mtime_ns):
            return False
        place = self._places.get(seen.sha256)
        return place is not None and keeping.is_there(self.store.archive, place)

    def _read(self, todo: Sequence[Found], executor: Executor, window: int, report: Report) -> None:
        """Read files on the executor, `window` at a time, and commit them in their order."""
        settings = intake_settings(self.store, in_place=self.in_place)
        total_bytes = sum(found.size_bytes for found in todo)
        done = done_bytes = started = next_ = 0
        waiting: dict[Future[Reading | Problem], int] = {}
        read: dict[int, Reading | Problem] = {}
        self._since = time.monotonic()
        report(Progress(Stage.READ, 0, len(todo), 0, total_bytes))
        try:
            while next_ < len(todo):
                while started < len(todo) and len(waiting) < window and started - next_ < _AHEAD:
                    waiting[executor.submit(reader.read_one, todo[started].path, settings)] = started
                    started += 1
                finished, _ = wait(waiting, timeout=_BATCH_SECONDS, return_when=FIRST_COMPLETED)
                for future in finished:
                    number = waiting.pop(future)
                    read[number] = _result(future, todo[number].path)
                    done += 1
                    done_bytes += todo[number].size_bytes
                    name = PurePath(todo[number].path).name
                    report(Progress(Stage.READ, done, len(todo), done_bytes, total_bytes, name))
                while next_ in read:
                    self._batch.append(read.pop(next_))
                    next_ += 1
                if len(self._batch) >= _BATCH_FILES or time.monotonic() - self._since >= _BATCH_SECONDS:
                    self._flush()
        except BrokenExecutor as error:
            self._flush()
            raise LastlookError(
                "the workers that read files ended unexpectedly",
                "What was read is kept. Run the same command again, with --jobs 1 if it happens again.",
            ) from error
        finally:
            for future in waiting:
                future.cancel()
            # What was read behind a file that was still under way is kept as well when the run is stopped.
            self._batch.extend(read[number] for number in sorted(read))

    def _flush(self) -> None:
        """Commit all that was read since the last time."""
        batch, self._batch = self._batch, []
        self._since = time.monotonic()
        if batch:
            try:
                self.committer.commit(batch)
            except KeyboardInterrupt:
                if not self.committer.stands():
                    self._batch = batch  # nothing of it was committed; the end of the run does
                raise

    def _take_captions(self) -> None:
        """Caption files come last, since they belong to clips."""
        catalogue = self.store.catalogue
        sidecars = {found.path: found for found in self._listed.found if found.kind is FoundKind.SIDECAR}
        self._places = media.places(catalogue)
        counted = media.captioned(catalogue)
        refused: dict[str, str] = {}
        taken: set[str] = set()
        for clip_path, caption_paths in sorted(self._company.captions.items()):
            clip = self._seen.get(path_to_text(clip_path))
            if clip is None or clip.sha256 not in self._places:
                refused.update(dict.fromkeys(caption_paths, PurePath(clip_path).name))
                continue
            for path in caption_paths:
                taken.add(path)
                text = path_to_text(path)
                seen = self._seen.get(text)
                if seen and (text, clip.sha256, seen.sha256) in counted and self._is_known(sidecars[path]):
                    self.committer.counts.known += 1
                else:
                    self.committer.take_caption(path, clip.sha256)
        self.refuse(
            Problem(path, f"belongs to {clip_name}, which could not be used", "Once its clip is taken in, it is, too.")
            for path, clip_name in refused.items()
            if path not in taken
        )


def _result(future: Future[Reading | Problem], path: str) -> Reading | Problem:
    try:
        return future.result()
    except BrokenExecutor:
        raise
    except Exception as error:
        # One bad file never stops a run, not even by a mistake of ours; the next run reads it again.
        _log.warning("reading %r failed", path, exc_info=error)
        return Problem(path, f"could not be read ({type(error).__name__})", "Take it in again.")


def _company(listed: Discovery, seen: dict[str, Sighting], places: dict[str, Place]) -> Company:
    """Which files belong together: those that were listed, and those known to lie in the same folders."""
    there = {found.path for found in listed.found}
    folders = {os.path.dirname(path) for path in there}  # noqa: PTH120 - a hundred thousand paths
    known = []
    for text, sighting in seen.items():
        path = os.fspath(text_to_path(text)) if text.startswith("bytes:") else text
        place = places.get(sighting.sha256)
        if path in there or place is None or place.kind == "captions":
            continue
        if os.path.dirname(path) in folders:  # noqa: PTH120
            known.append(Found(path, FoundKind(place.kind), sighting.size_bytes, sighting.mtime_ns))
    return keep_company([*listed.found, *known])


def _own_parts(store: Store, paths: Sequence[Path]) -> tuple[list[Problem], list[Path]]:
    """Paths that lie in the archive's own folders, as problems, and the others: an archive must not eat itself."""
    archive = store.archive
    parts = [folder.resolve() for folder in (archive.originals, archive.derived, archive.index, archive.incoming)]
    own: list[Problem] = []
    others: list[Path] = []
    for path in paths:
        try:
            real = path.resolve()
        except (OSError, RuntimeError, ValueError):
            others.append(path)  # discover says what is wrong with it
            continue
        if any(real.is_relative_to(part) for part in parts):
            own.append(
                Problem(
                    str(real),
                    "lies in this archive's own folders and was left out",
                    "Move it elsewhere, then take it in from there.",
                )
            )
        else:
            others.append(path)
    return own, others


def _roots(paths: Sequence[Path]) -> list[Path]:
    """Folders that were given, as discover names them, the outermost first."""
    found = []
    for path in paths:
        try:
            if path.is_dir():
                found.append(path.resolve())
        except (OSError, RuntimeError, ValueError):
            continue
    return sorted(set(found), key=lambda path: (len(path.parts), path))


def sweep(archive: Archive) -> None:
    """Remove what a killed run left half-way, now. Raises ArchiveBusy while one is at work, and ArchiveError."""
    with held(archive.incoming / "ingest.lock", _BUSY):
        _sweep(archive.incoming, archive.derived)


def _sweep(incoming: Path, derived: Path) -> None:
    """Remove what a killed run left half-way. Only our own copies lie here."""
    try:
        left = [entry for entry in incoming.iterdir() if entry.suffix in {".staged", ".part"}]
        for entry in left:
            entry.unlink(missing_ok=True)
        if left:  # it may have been writing derived pictures, too
            for entry in derived.glob("*/*/.*.part"):
                entry.unlink(missing_ok=True)
    except OSError as error:
        raise ArchiveError(
            f"{incoming} cannot be written to: {error.strerror}", "Check the folder's permissions."
        ) from error
