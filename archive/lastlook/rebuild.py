"""Make the catalogue anew from the originals and `decisions.jsonl` alone.

The new catalogue is built beside the old one and takes its place only when it is whole; a copy of the old one is kept
as `catalogue.before-rebuild.db`. Decisions are replayed in their order with their own ids, times and authors. Those
that only the old catalogue holds, where it can still be read, are replayed behind them: none is lost.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from lastlook import grouping, keeping, proposing, reading_codes, retime, stills_by_hand
from lastlook.archive import Archive
from lastlook.catalogue import Catalogue, closings, decisions, media, paths, pictures, plain
from lastlook.errors import ArchiveDamaged, ArchiveError, LastlookError
from lastlook.ingest import intake_settings
from lastlook.intake import fingerprint, reader
from lastlook.intake.captions import read_captions
from lastlook.keeping import CaptionFile
from lastlook.locking import held
from lastlook.progress import Progress, Report, Stage, silent
from lastlook.records import Decision, Problem, Reading, still_id
from lastlook.store import Store

_AHEAD = 16  # originals that are read ahead of their turn
_TRIES = 5


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
        fresh = archive.root / "catalogue.rebuilding.db"
        for _ in range(_TRIES):
            replayed, faults, newest = _gather(archive)
            problems = [Problem(archive.decisions.name, fault) for fault in faults]
            _remove(fresh)
            try:
                with Store(replace(archive, catalogue_name=fresh.name), create=True) as store:
                    work = _Replay(store, replayed, executor, report)
                    work.run()
                    problems.extend(work.problems)
                # Somebody may have decided something while the originals were being read: once more, then.
                if _swap(archive, fresh, newest):
                    break
            finally:
                _remove(fresh)
        else:
            raise ArchiveError("decisions are being made all the time", "Stop the viewer, then rebuild again.")
        with Store(archive) as store:
            _write_plain(store, archive)
            store.rebuild_index()
    return Rebuilt(work.files, len(replayed), tuple(problems))


def _gather(archive: Archive) -> tuple[list[Decision], list[str], str]:
    """(all decisions, what was wrong with the plain file, uid of the old catalogue's last decision)."""
    written, faults = plain.read_plain(archive.decisions)
    held_there = _held(archive)
    together = plain.together(written, held_there or [])
    if held_there is None and not plain.only_torn(faults):
        if not written and not archive.decisions.exists() and not any(archive.originals.glob("**/*.*")):
            return [], [], ""  # an archive into which nothing has gone yet
        raise ArchiveDamaged(
            f"neither the catalogue nor the decisions can be read whole: {faults[0]}",
            f"Put back a copy of {archive.decisions.name}; rebuilding without it would lose what was decided.",
        )
    if held_there is not None:
        # What the file lacks, the catalogue has. Only what neither can give is worth telling.
        lost = max((decision.seq for decision in written), default=0) - len(together)
        faults = faults if lost > 0 else []
    return together, faults, held_there[-1].uid if held_there else ""


def _held(archive: Archive) -> list[Decision] | None:
    """The decisions of the old catalogue; None where it cannot be read."""
    try:
        with Catalogue(archive.catalogue, look_only=True) as catalogue:
            return list(decisions.every(catalogue))
    except ArchiveDamaged:
        return None


class _Replay:
    def __init__(self, store: Store, replayed: Sequence[Decision], executor: Executor, report: Report) -> None:
        self.store = store
        self.replayed = replayed
        self.executor = executor
        self.report = report
        self.files = 0
        self.problems: list[Problem] = []
        self._undone = _undone(replayed)
        self._places = _places(replayed)

    def run(self) -> None:
        readings = self._readings()
        catalogue = self.store.catalogue
        with catalogue.writing():
            for number, decision in enumerate(self.replayed):
                self.report(Progress(Stage.RESTORE, number, len(self.replayed)))
                body: Mapping[str, Any] = decision.body
                appended = decisions.append(
                    catalogue,
                    decision.kind,
                    body,
                    by=decision.by,
                    undoes=decision.undoes,
                    at=decision.at,
                    uid=decision.uid,
                )
                if decision.kind == "arrival":
                    if body["media"] == "captions":
                        self._captions(appended)
                    else:
                        self._arrival(appended, next(readings))
                elif decision.kind == "sighting":
                    keeping.sight(self.store, appended)
                    paths.drop_problem(catalogue, body["source"])
                elif decision.kind == "refused":
                    problem = Problem(body["source"], body["reason"], body["hint"], body["kept"])
                    paths.add_problem(catalogue, problem, decision.at)
                elif decision.kind == "pair":
                    keeping.pair(self.store, appended)
                elif decision.kind == "still":
                    self._still(appended)
                elif decision.undoes:
                    self._still_undone(decision.undoes)
            retime.retime(catalogue, self.store.zone)
            for clip in media.every(catalogue, "clip"):
                proposing.say_words(self.store, clip.sha256)
            proposing.propose(self.store, report=self.report)
            for opening in {str(one.body["opening"]) for one in self.replayed if one.kind in {"close", "reopen"}}:
                closings.refold(catalogue, opening)
            grouping.regroup(catalogue)
        settings = intake_settings(self.store, in_place=True)
        reading_codes.read_codes(self.store, settings, executor=self.executor, report=self.report)

    def _readings(self) -> Iterator[Reading | None]:
        """What each arrival's original holds, in the order of arrivals, None where it is lost; read some ahead."""
        arrivals = [one for one in self.replayed if one.kind == "arrival" and one.body["media"] != "captions"]
        settings = intake_settings(self.store, in_place=True)
        waiting: deque[tuple[Decision, Future[Reading | Problem]]] = deque()
        coming = iter(arrivals)
        while True:
            while len(waiting) < _AHEAD and (decision := next(coming, None)) is not None:
                future = self.executor.submit(reader.read_one, str(self._path(decision)), settings)
                waiting.append((decision, future))
            if not waiting:
                return
            decision, future = waiting.popleft()
            try:
                reading = future.result()
            except BrokenExecutor as error:
                raise LastlookError("the workers that read files ended unexpectedly", "Rebuild again.") from error
            if isinstance(reading, Problem):
                self._lost(decision, reading.reason)
                yield None
            elif reading.sha256 != decision.body["sha256"]:
                self._lost(decision, "is not what it was when it was taken in")
                yield None
            else:
                self.files += 1
                yield reading

    def _path(self, decision: Decision) -> Path:
        stored, in_place = self._places[str(decision.body["sha256"])]
        return self.store.archive.original(stored, in_place)

    def _lost(self, decision: Decision, reason: str) -> None:
        stored, _ = self._places[str(decision.body["sha256"])]
        self.problems.append(Problem(stored, reason, "Put the original back, then rebuild again."))

    def _arrival(self, decision: Decision, reading: Reading | None) -> None:
        body: Mapping[str, Any] = decision.body
        catalogue = self.store.catalogue
        paths.drop_problem(catalogue, body["source"])
        keeping.sight(self.store, decision)
        if reading is None:
            return
        reading = keeping.own_claims(reading, body["file"], body["mtime_ns"])
        problem = keeping.kept_problem(reading, body["source"])
        if problem is not None:
            paths.add_problem(catalogue, problem, decision.at)
        medium = media.from_reading(reading, file=body["file"], stored=body["stored"], in_place=body["in_place"])
        keeping.add_medium(self.store, replace(medium, arrived=media.first_arrival(catalogue, medium.sha256)), reading)

    def _captions(self, decision: Decision) -> None:
        body: Mapping[str, Any] = decision.body
        path = self._path(decision)
        read = read_captions(path)
        paths.drop_problem(self.store.catalogue, body["source"])
        keeping.sight(self.store, decision)
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
        self.files += 1
        taken = replace(taken, mtime_ns=body["mtime_ns"])
        file = CaptionFile(str(path), taken, read, body["belongs_to"])
        medium = keeping.caption_medium(file, body["file"], body["stored"], in_place=body["in_place"])
        medium = replace(medium, arrived=media.first_arrival(self.store.catalogue, medium.sha256))
        keeping.add_captions(self.store, medium, read)

    def _still(self, decision: Decision) -> None:
        body: Mapping[str, Any] = decision.body
        medium = media.get(self.store.catalogue, body["clip"])
        if medium is None or decision.uid in self._undone:
            return  # its clip is lost and listed, or it was taken back
        stored, in_place = self._places[medium.sha256]
        original = replace(medium, stored=stored, in_place=in_place)
        try:
            stills_by_hand.add(self.store, medium, stills_by_hand.take(self.store, original, body["clip_ms"]))
        except LastlookError as error:
            self.problems.append(Problem(original.stored, error.message, error.hint))

    def _still_undone(self, uid: str) -> None:
        """What was kept by hand goes when that is taken back, also where a later version would choose it by itself."""
        target = decisions.by_uid(self.store.catalogue, uid)
        if target is not None and target.kind == "still" and decisions.is_undone(self.store.catalogue, uid):
            id = still_id(str(target.body["clip"]), int(str(target.body["clip_ms"])))
            pictures.drop(self.store.catalogue, list(pictures.rids_of_ids(self.store.catalogue, [id]).values()))


def _places(replayed: Sequence[Decision]) -> dict[str, tuple[str, bool]]:
    """Where each original lies in the end."""
    places: dict[str, tuple[str, bool]] = {}
    for decision in replayed:
        if decision.kind == "arrival" or (decision.kind == "sighting" and "stored" in decision.body):
            body = decision.body
            places[str(body["sha256"])] = str(body["stored"]), bool(body["in_place"])
    return places


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


def _write_plain(store: Store, archive: Archive) -> None:
    """Let the plain file say what the catalogue says: by adding to it where it is a beginning of it, else anew."""
    held_now = list(decisions.every(store.catalogue))
    written, faults = plain.read_plain(archive.decisions)
    if written != held_now[: len(written)] or (faults and not plain.only_torn(faults) and archive.decisions.exists()):
        plain.rewrite_plain(held_now, archive.decisions)
    else:
        plain.write_plain(store.catalogue, archive.decisions)


def _swap(archive: Archive, fresh: Path, newest: str) -> bool:
    """Put the fresh catalogue's content in the old one's place, unless that has learned more since `newest`.

    In one transaction where the old catalogue is sound: whoever has it open sees the one or the other. A damaged one is
    moved away. A process that is killed in here leaves either the old catalogue or the new one.
    """
    kept = archive.root / "catalogue.before-rebuild.db"
    current = archive.catalogue
    try:
        with Catalogue(current) as old:
            if not old.integrity():
                old.copy_to(kept)
                with old.taking_over(fresh):
                    last = decisions.last_seq(old)
                    if last and decisions.uid_at(old, last) != newest:
                        raise _LearnedMore
                return True
    except _LearnedMore:
        return False
    except ArchiveDamaged:
        pass
    _remove(kept)
    for ending in ("-wal", "-shm", ""):
        path = current.with_name(current.name + ending)
        if path.exists():
            path.replace(kept.with_name(kept.name + ending))
    fresh.replace(current)
    return True


class _LearnedMore(Exception):
    pass


def _remove(path: Path) -> None:
    for name in (path.name, f"{path.name}-wal", f"{path.name}-shm"):
        path.with_name(name).unlink(missing_ok=True)
