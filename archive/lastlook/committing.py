"""Commit what an ingest has read: originals into their places, then rows, some files in one transaction.

Everything that an ingest changes it changes here, on one thread. A file is in the catalogue with its pictures, its time
and its tags, or not at all.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path, PurePath

from lastlook import keeping, proposing, retime
from lastlook.archive import path_to_text
from lastlook.catalogue import decisions, media, paths, pending, plain
from lastlook.catalogue.media import Medium
from lastlook.catalogue.paths import Sighting
from lastlook.intake import fingerprint
from lastlook.intake.captions import read_captions
from lastlook.intake.discover import Company
from lastlook.keeping import CaptionFile, Originals, Unplaceable
from lastlook.records import Decision, MediaKind, Problem, Reading
from lastlook.store import Store


@dataclass
class Counts:
    """What a run has done so far. `new` and `linked` by content: a clip may be taken in and put to its photo."""

    new: set[str] = field(default_factory=set)
    linked: set[str] = field(default_factory=set)
    known: int = 0
    stills: int = 0
    captions: int = 0
    problems: list[Problem] = field(default_factory=list)

    @property
    def added(self) -> int:
        return len(self.new - self.linked)

    def add(self, other: Counts) -> None:
        self.new |= other.new
        self.linked |= other.linked
        self.known += other.known
        self.stills += other.stills
        self.captions += other.captions
        self.problems += other.problems


class Committer:
    """`roots`: the folders that were given, resolved, the outermost first. `company`: which files belong together."""

    def __init__(
        self, store: Store, *, in_place: bool, roots: Sequence[Path], company: Company, seen: dict[str, Sighting]
    ) -> None:
        self.store = store
        self.in_place = in_place
        self.counts = Counts()
        self._roots = roots
        self._company = company
        self._photos_of = _turned(company.motion)
        self._seen = seen
        self._originals = Originals(store.archive)
        self._now = Counts()  # of the transaction under way
        self._said = ""  # the last decision of that transaction

    def commit(self, batch: Sequence[Reading | Problem]) -> None:
        """Commit readings and problems in one transaction. Raises ArchiveError; nothing of the batch is kept then."""
        rids: list[int] = []
        with self._writing():
            for item in batch:
                if isinstance(item, Problem):
                    self._refuse(item)
                    continue
                try:
                    rids.extend(self._keep(item))
                except Unplaceable as error:
                    self._refuse(Problem(item.path, error.reason, error.hint))
                    continue
                self._pair(item)
            proposing.propose(self.store, proposing.with_cards(self.store, rids))

    def take_caption(self, path: str, clip: str) -> None:
        """Take in a caption file that lies beside the clip of that content, or count it again if it is known."""
        store, archive = self.store, self.store.archive
        try:
            taken = fingerprint.take(path, staging=None if self.in_place else archive.incoming)
        except fingerprint.Unreadable as unreadable:
            self.commit([unreadable.problem])
            return
        read = read_captions(Path(path))
        if isinstance(read, Problem):
            self._unstage(taken.sha256)
            self.commit([read])
            return
        try:
            with self._writing():
                known = media.get(store.catalogue, taken.sha256)
                if known is not None:
                    self._now.known += 1
                    moved = self._put_back(known, path, keeping.folder_of(store, clip))
                    self._sight(path, taken.sha256, taken.size_bytes, taken.mtime_ns, {"belongs_to": clip, **moved})
                else:
                    file = CaptionFile(path, taken, read, clip)
                    stored = self._store(path, taken.sha256, keeping.folder_of(store, clip))
                    medium = keeping.caption_medium(
                        file, printable(PurePath(path).name), stored, in_place=self.in_place
                    )
                    self._arrive(medium, path)
                    medium = replace(medium, arrived=media.first_arrival(store.catalogue, medium.sha256))
                    keeping.add_captions(store, medium, read)
                    self._now.captions += 1
                keeping.hear(store, clip)
                paths.drop_problem(store.catalogue, path_to_text(path))
        except Unplaceable as error:
            self.commit([Problem(path, error.reason, error.hint)])

    @contextmanager
    def _writing(self) -> Iterator[None]:
        """One transaction; what it counts is counted once it stands."""
        self._now, self._said = Counts(), ""
        catalogue, path = self.store.catalogue, self.store.archive.decisions
        with catalogue.writing():
            plain.check_plain(catalogue, path)
            yield
        self._count()
        plain.write_plain(catalogue, path)

    def stands(self) -> bool:
        """After an interrupt: whether the last transaction was committed before it came."""
        if not self._said or decisions.by_uid(self.store.catalogue, self._said) is None:
            return False
        self._count()
        return True

    def _count(self) -> None:
        """Count what the transaction did; once."""
        self.counts.add(self._now)
        self._now = Counts()

    # ------------------------------------------------------------------------------------------ one photo or clip

    def _keep(self, reading: Reading) -> list[int]:
        store, catalogue = self.store, self.store.catalogue
        known = media.get(catalogue, reading.sha256)
        if known is not None:
            return self._meet_again(reading, known)
        name = PurePath(reading.path).name
        reading = keeping.own_claims(reading, printable(name), reading.mtime_ns)
        medium = media.from_reading(reading, file=printable(name), stored="", in_place=self.in_place)
        medium = replace(medium, arrived=datetime.now(UTC))
        folder = keeping.day_folder(retime.resolve_medium(catalogue, store.zone, medium), store.zone)
        medium = media.stored_at(medium, self._store(reading.path, reading.sha256, folder))
        paths.drop_problem(catalogue, path_to_text(reading.path))
        problem = keeping.kept_problem(reading, reading.path)
        if problem is not None:
            self._list(problem)
        self._arrive(medium, reading.path)
        medium = replace(medium, arrived=media.first_arrival(catalogue, medium.sha256))
        rids = keeping.add_medium(store, medium, reading)
        self._now.new.add(medium.sha256)
        self._now.stills += len(reading.stills)
        pending.owe(catalogue, pending.GROUPING)
        return rids

    def _meet_again(self, reading: Reading, known: Medium) -> list[int]:
        """Content that is there already, under another name or in another place: its folders and name may say more.
        Where its original is gone, this one takes its place."""
        store = self.store
        self._now.known += 1
        folder = keeping.day_folder(retime.resolve_medium(store.catalogue, store.zone, known), store.zone)
        moved = self._put_back(known, reading.path, folder)
        self._sight(reading.path, reading.sha256, reading.size_bytes, reading.mtime_ns, moved)
        paths.drop_problem(store.catalogue, path_to_text(reading.path))
        return keeping.rids_of(store, known)

    def _put_back(self, known: Medium, path: str, folder: str) -> dict[str, object]:
        """Where the original of known content lies from now on, if it was gone; nothing where it is there."""
        if keeping.is_there(self.store.archive, known):
            self._unstage(known.sha256)
            return {}
        return {"stored": self._store(path, known.sha256, folder), "in_place": self.in_place}

    def _store(self, path: str, sha256: str, folder: str) -> str:
        """Where the original lies from now on."""
        if self.in_place:
            return path_to_text(path)
        staged = fingerprint.staged_path(self.store.archive.incoming, sha256)
        return self._originals.place(staged, PurePath(path).name, sha256, folder)

    def _unstage(self, sha256: str) -> None:
        if not self.in_place:
            fingerprint.staged_path(self.store.archive.incoming, sha256).unlink(missing_ok=True)

    def _pair(self, reading: Reading) -> None:
        """Put a motion clip to its photo as soon as both are there."""
        if reading.kind is MediaKind.PHOTO:
            clip = self._company.motion.get(reading.path)
            pairs = [(reading.path, clip)] if clip else []
        else:
            pairs = [(photo, reading.path) for photo in self._photos_of.get(reading.path, ())]
        catalogue = self.store.catalogue
        for both in pairs:
            met = [self._seen.get(path_to_text(path)) for path in both]
            photo, clip_ = (media.get(catalogue, one.sha256) if one else None for one in met)
            if photo is None or clip_ is None or not keeping.is_pair(photo, clip_):
                continue
            body = {"clip": clip_.sha256, "photo": photo.sha256}
            dropped = keeping.pair(self.store, self._append("pair", body))
            self._now.linked.add(clip_.sha256)
            if clip_.sha256 in self._now.new | self.counts.new:
                self._now.stills -= dropped
            pending.owe(catalogue, pending.GROUPING)

    # --------------------------------------------------------------------------------- decisions that ingest records

    def _sight(self, path: str, sha256: str, size_bytes: int, mtime_ns: int, more: Mapping[str, object]) -> None:
        body = {
            "sha256": sha256,
            "source": path_to_text(path),
            "folders": self._folders(path),
            "size_bytes": size_bytes,
            "mtime_ns": mtime_ns,
            **more,
        }
        self._note(self._append("sighting", body))

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
        self._note(self._append("arrival", body))

    def _append(self, kind: str, body: Mapping[str, object]) -> Decision:
        decision = decisions.append(self.store.catalogue, kind, body, by=self.store.by)
        self._said = decision.uid
        return decision

    def _note(self, decision: Decision) -> None:
        keeping.sight(self.store, decision)
        pending.owe(self.store.catalogue, pending.NEIGHBOURS)
        path, size_bytes, mtime_ns = (decision.body[key] for key in ("source", "size_bytes", "mtime_ns"))
        self._seen[str(path)] = Sighting(
            str(path), str(decision.body["sha256"]), int(str(size_bytes)), int(str(mtime_ns)), decision.seq
        )

    def _folders(self, path: str) -> list[str]:
        """Names of the folders a file lay in, from the one that was given down: what the builder named."""
        folder = PurePath(path).parent
        for root in self._roots:
            if folder.is_relative_to(root):
                return [printable(part) for part in (root.name, *folder.relative_to(root).parts) if part]
        return [printable(folder.name)] if folder.name else []

    def _refuse(self, problem: Problem) -> None:
        source = path_to_text(problem.path)
        listed = paths.problem_at(self.store.catalogue, source)
        if listed is None or (listed.reason, listed.hint, listed.kept) != (problem.reason, problem.hint, problem.kept):
            body = {"source": source, "reason": problem.reason, "hint": problem.hint, "kept": problem.kept}
            self._append("refused", body)
        self._list(problem)

    def _list(self, problem: Problem) -> None:
        self._now.problems.append(problem)
        shown = Problem(path_to_text(problem.path), problem.reason, problem.hint, problem.kept)
        paths.add_problem(self.store.catalogue, shown, datetime.now(UTC))


def printable(name: str) -> str:
    """A name whatever bytes it has, as it can be stored and shown."""
    return name.encode("utf-8", "backslashreplace").decode("utf-8")


def _turned(motion: Mapping[str, str]) -> dict[str, list[str]]:
    """Clip → the photos it may belong to, in order of their paths."""
    turned: dict[str, list[str]] = {}
    for photo, clip in sorted(motion.items()):
        turned.setdefault(clip, []).append(photo)
    return turned
