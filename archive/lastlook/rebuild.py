"""Make the catalogue anew from the originals and `decisions.jsonl` alone.

The new catalogue is built beside the old one and takes its place only when it is whole; the old one is kept as
`catalogue.before-rebuild.db`. Decisions are replayed in their order with their own ids, times and authors.
"""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor, Future
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from lastlook import grouping, keeping, proposing, retime, stills_by_hand
from lastlook.archive import Archive
from lastlook.catalogue import Catalogue, closings, decisions, media
from lastlook.errors import ArchiveDamaged, LastlookError
from lastlook.ingest import intake_settings
from lastlook.intake import fingerprint, reader
from lastlook.intake.captions import read_captions
from lastlook.keeping import CaptionFile
from lastlook.locking import held
from lastlook.progress import Progress, Report, Stage, silent
from lastlook.records import Decision, Problem, Reading
from lastlook.store import Store


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """`files` that were read again, `decisions` replayed, `problems`: originals that are missing or changed, and torn
    lines of the plain-text decisions."""

    files: int
    decisions: int
    problems: tuple[Problem, ...]


def rebuild(archive: Archive, *, executor: Executor, report: Report = silent) -> Rebuilt:
    """Raises ArchiveDamaged where the decisions cannot be read; the old catalogue stays as it is then."""
    with held(archive.incoming / "ingest.lock", "an ingest is at work in this archive"):
        _catch_up_plain(archive)
        replayed, faults = decisions.read_plain(archive.decisions)
        unreadable = [fault for fault in faults if "torn" not in fault]
        if unreadable:
            raise ArchiveDamaged(
                f"the decisions cannot be read: {unreadable[0]}",
                "Put back a copy of decisions.jsonl; rebuilding without it would lose what was decided.",
            )
        fresh = archive.root / "catalogue.rebuilding.db"
        _remove(fresh)
        problems = [Problem(archive.decisions.name, fault) for fault in faults]
        try:
            with Store(replace(archive, catalogue_name=fresh.name), create=True) as store:
                work = _Replay(store, replayed, executor, report)
                work.run()
                problems.extend(work.problems)
            _swap(archive, fresh)
        finally:
            _remove(fresh)
    with Store(archive) as store:
        store.rebuild_index()
    return Rebuilt(work.files, len(replayed), tuple(problems))


class _Replay:
    def __init__(self, store: Store, replayed: Sequence[Decision], executor: Executor, report: Report) -> None:
        self.store = store
        self.replayed = replayed
        self.executor = executor
        self.report = report
        self.files = 0
        self.problems: list[Problem] = []
        self._undone = _undone(replayed)

    def run(self) -> None:
        arrivals = [one for one in self.replayed if one.kind == "arrival" and one.body["media"] != "captions"]
        readings = self._read(arrivals)
        catalogue = self.store.catalogue
        with catalogue.writing():
            for number, decision in enumerate(self.replayed):
                if number % 100 == 0:
                    self.report(Progress(Stage.RESTORE, number, len(self.replayed)))
                body: Mapping[str, Any] = decision.body
                decisions.append(
                    catalogue,
                    decision.kind,
                    body,
                    by=decision.by,
                    undoes=decision.undoes,
                    at=decision.at,
                    uid=decision.uid,
                )
                if decision.kind == "arrival":
                    self._arrival(decision, readings.get(decision.uid))
                elif decision.kind == "sighting":
                    keeping.sight(self.store, decision)
                    media.drop_problem(catalogue, body["source"])
                elif decision.kind == "refused":
                    problem = Problem(body["source"], body["reason"], body["hint"], body["kept"])
                    media.add_problem(catalogue, problem, decision.at)
                elif decision.kind == "still" and decision.uid not in self._undone:
                    self._still(body)
            keeping.link_motion_clips(self.store)
            retime.retime(catalogue, self.store.zone)
            for clip in media.every(catalogue, "clip"):
                proposing.say_words(self.store, clip.sha256)
            proposing.propose(self.store, report=self.report)
            for opening in {str(one.body["opening"]) for one in self.replayed if one.kind in {"close", "reopen"}}:
                closings.refold(catalogue, opening)
            grouping.regroup(catalogue)

    def _read(self, arrivals: Sequence[Decision]) -> dict[str, Reading]:
        settings = intake_settings(self.store, in_place=True)
        futures: list[tuple[Decision, Future[Reading | Problem]]] = []
        for decision in arrivals:
            futures.append((decision, self.executor.submit(reader.read_one, str(self._path(decision)), settings)))
        found: dict[str, Reading] = {}
        for number, (decision, future) in enumerate(futures):
            self.report(Progress(Stage.READ, number, len(futures), note=str(decision.body["file"])))
            reading = future.result()
            if isinstance(reading, Problem):
                self._lost(decision, reading.reason)
            elif reading.sha256 != decision.body["sha256"]:
                self._lost(decision, "is not what it was when it was taken in")
            else:
                found[decision.uid] = reading
                self.files += 1
        return found

    def _path(self, decision: Decision) -> Path:
        return self.store.archive.original(str(decision.body["stored"]), bool(decision.body["in_place"]))

    def _lost(self, decision: Decision, reason: str) -> None:
        self.problems.append(
            Problem(str(decision.body["stored"]), reason, "Put the original back, then rebuild again.")
        )

    def _arrival(self, decision: Decision, reading: Reading | None) -> None:
        body: Mapping[str, Any] = decision.body
        if body["media"] == "captions":
            self._captions(decision)
            return
        if reading is None:
            return
        catalogue = self.store.catalogue
        media.drop_problem(catalogue, body["source"])
        reading = keeping.own_claims(reading, body["file"], body["mtime_ns"])
        problem = keeping.kept_problem(reading, body["source"])
        if problem is not None:
            media.add_problem(catalogue, problem, decision.at)
        medium = media.from_reading(reading, file=body["file"], stored=body["stored"], in_place=body["in_place"])
        keeping.sight(self.store, decision)
        keeping.add_medium(self.store, medium, reading)

    def _captions(self, decision: Decision) -> None:
        body: Mapping[str, Any] = decision.body
        path = self._path(decision)
        read = read_captions(path)
        if isinstance(read, Problem):
            self._lost(decision, read.reason)
            return
        try:
            taken = fingerprint.take(str(path))
        except fingerprint.Unreadable as unreadable:
            self._lost(decision, unreadable.problem.reason)
            return
        if taken.sha256 != body["sha256"]:
            self._lost(decision, "is not what it was when it was taken in")
            return
        taken = replace(taken, mtime_ns=body["mtime_ns"])
        file = CaptionFile(str(path), taken, read, body["belongs_to"])
        medium = keeping.caption_medium(file, body["file"], body["stored"], in_place=body["in_place"])
        keeping.sight(self.store, decision)
        media.add(self.store.catalogue, medium)
        media.add_cues(self.store.catalogue, medium.sha256, read.cues)
        media.drop_problem(self.store.catalogue, body["source"])

    def _still(self, body: Mapping[str, Any]) -> None:
        medium = media.get(self.store.catalogue, body["clip"])
        if medium is None:
            return  # its clip is lost and listed
        try:
            stills_by_hand.add(self.store, medium, stills_by_hand.take(self.store, medium, body["clip_ms"]))
        except LastlookError as error:
            self.problems.append(Problem(medium.stored, error.message, error.hint))


def _undone(replayed: Sequence[Decision]) -> set[str]:
    """Uids that are taken back in the end, undoings of undoings counted."""
    undone: set[str] = set()
    by_uid = {decision.uid: decision for decision in replayed}
    for decision in replayed:
        target, state = decision.undoes, True
        while target:
            (undone.add if state else undone.discard)(target)
            target = by_uid[target].undoes if target in by_uid else ""
            state = not state
    return undone


def _catch_up_plain(archive: Archive) -> None:
    """Decisions that the old catalogue holds and the plain file does not must not be lost."""
    try:
        with Catalogue(archive.catalogue) as catalogue:
            decisions.write_plain(catalogue, archive.decisions)
    except ArchiveDamaged:
        return  # it cannot be read, or is older than the plain file: that is why it is rebuilt


def _swap(archive: Archive, fresh: Path) -> None:
    kept = archive.root / "catalogue.before-rebuild.db"
    _remove(kept)
    if archive.catalogue.exists():
        with contextlib.suppress(LastlookError), Catalogue(archive.catalogue):
            pass  # closing it folds its write-ahead log into the file
        shutil.move(archive.catalogue, kept)
    for ending in ("-wal", "-shm"):
        archive.catalogue.with_name(archive.catalogue.name + ending).unlink(missing_ok=True)
    fresh.replace(archive.catalogue)


def _remove(path: Path) -> None:
    for name in (path.name, f"{path.name}-wal", f"{path.name}-shm"):
        path.with_name(name).unlink(missing_ok=True)
