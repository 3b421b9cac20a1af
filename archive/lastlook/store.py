"""An open archive: its catalogue, plan and text index together, for the use cases.

A store belongs to one thread; `Caches` may be shared by many stores of the same archive (a viewer keeps one).
"""

from __future__ import annotations

import getpass
import os
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from lastlook import indexing
from lastlook.archive import Archive
from lastlook.catalogue import Catalogue, changes, columns, decisions, indexed, plain
from lastlook.catalogue.columns import Columns
from lastlook.errors import ArchiveBusy, PlanError, TextIndexError
from lastlook.plan.parse import parse_plan
from lastlook.progress import Report, silent
from lastlook.records import Build, Dimension, Plan
from lastlook.textindex import TextIndex

T = TypeVar("T")

LEARNED_AT_ONCE = 1_000
"""So many pictures' words the text index learns while somebody waits: about a second."""

_MOST_MASKS = 256
"""How many masks of tagged pictures are kept: each is a byte a picture."""


@dataclass
class Caches:
    """What costs time to load and changes seldom; guarded by a lock, compared by the catalogue's counters."""

    lock: threading.RLock = field(default_factory=threading.RLock)
    columns: columns.Columns | None = None
    plan: tuple[str, Plan] | None = None
    tagged: dict[tuple[str, ...], NDArray[np.bool_]] = field(default_factory=dict)
    tagged_of: tuple[Columns | None, int] = (None, -1)  # the columns and the count that `tagged` was read from
    kept: dict[str, tuple[object, object]] = field(default_factory=dict)  # by name: (version, what was made of it)
    followed: dict[str, tuple[object, changes.Versions, object]] = field(default_factory=dict)  # (of, versions, made)
    following: dict[str, threading.RLock] = field(default_factory=dict)  # by name: held while it is made


class Store:
    """An archive that is open. Use it in a `with`, or close it."""

    def __init__(self, archive: Archive, *, by: str = "", caches: Caches | None = None, create: bool = False) -> None:
        self.archive = archive
        self.by = by.strip() or author()
        self.report: Report = silent
        """Who is told how far the work that follows from a decision has come."""
        self.learned_elsewhere: Callable[[], bool] = lambda: False
        """Asked where more than `LEARNED_AT_ONCE` pictures wait for the text index: whether it learns them beside this
        store. It is not asked anything then until it has."""
        self.catalogue = Catalogue(archive.catalogue, create=create)
        self._caches = caches or Caches()
        self._index: TextIndex | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        if self._index is not None:
            self._index.close()
            self._index = None
        self.catalogue.close()

    @property
    def zone(self) -> str:
        """The build's time zone: the plan's where there is one, else the archive's."""
        return self.plan.build.zone

    @property
    def plan(self) -> Plan:
        """The plan in force. An archive without one has a plan with nothing but the build's name."""
        decision = decisions.last_live(self.catalogue, "plan")
        if decision is None:
            settings = self.archive.settings
            return Plan(Build(settings.name, settings.zone, settings.scale))
        with self._caches.lock:
            kept = self._caches.plan
            if kept is None or kept[0] != decision.uid:
                text = str(decision.body["text"])
                try:
                    kept = decision.uid, parse_plan(text, "the plan in force")
                except PlanError as error:
                    raise PlanError(
                        f"the plan kept in the archive cannot be read: {error.message}",
                        "Load a plan file again with 'lastlook plan load FILE'.",
                        error.faults,
                    ) from None
                self._caches.plan = kept
            return kept[1]

    @property
    def plan_text(self) -> str:
        """The plan file in force as it was loaded, comments and all; '' without one."""
        decision = decisions.last_live(self.catalogue, "plan")
        return str(decision.body["text"]) if decision else ""

    @property
    def columns(self) -> columns.Columns:
        """Filter columns of all pictures, brought up to date when a time has changed."""
        with self._caches.lock, self.catalogue.reading():
            was, version = self._caches.columns, self.catalogue.counters()["times"]
            if was is not None and was.version == version:
                return was
            now = columns.load(self.catalogue) if was is None else self._columns_from(was, version)
            if not self.catalogue.is_writing():  # what is seen in there may yet be taken back
                self._caches.columns = now
            return now

    def _columns_from(self, was: Columns, version: int) -> Columns:
        rids = changes.since(self.catalogue, (0, was.version), (0, version))
        return columns.load(self.catalogue) if rids is None else columns.updated(self.catalogue, was, rids)

    def tagged(self, of: Columns, dimension: Dimension, targets: Sequence[str]) -> NDArray[np.bool_]:
        """Which pictures of `of` count as tagged with any of `targets`: a mask to read, kept, and brought up to date
        when a tag changes."""
        if self.catalogue.is_writing():  # what is seen in here may yet be taken back
            return of.mask_of(columns.rows_with(self.catalogue, dimension, targets))
        version = of, self.catalogue.counters()["tags"]
        key = dimension.value, *targets
        with self._caches.lock:
            if not self._is_tagged_of(version):
                self._caches.tagged, self._caches.tagged_of = self._masks_at(of, version), version
            elif len(self._caches.tagged) >= _MOST_MASKS:
                self._caches.tagged = {}
            kept = self._caches.tagged.get(key)
        if kept is None:
            kept = of.mask_of(columns.rows_with(self.catalogue, dimension, targets))
            kept.flags.writeable = False
            with self._caches.lock:
                # Only what was read of this very version; another thread may have gone on to a newer one.
                if self._is_tagged_of(version) and self.catalogue.counters()["tags"] == version[1]:
                    self._caches.tagged[key] = kept
        return kept

    def kept(self, name: str, make: Callable[[], T], of: object = None) -> T:
        """What `make` makes of the catalogue, made anew once anything was decided or has come in, or where it was made
        of something else than `of`. It is shared by threads: nobody may change it."""
        if self.catalogue.in_transaction():
            return make()  # what is seen in here may yet be taken back
        version = (of, *self.version())
        with self._caches.lock:
            found = self._caches.kept.get(name)
        if found is not None and found[0] == version:
            return cast(T, found[1])
        made = make()
        if (of, *self.version()) == version:
            with self._caches.lock:
                self._caches.kept[name] = version, made
        return made

    def remade(self, name: str, make: Callable[[T | None], T], of: object) -> T:
        """What `make` makes of `of` alone, given what it made of another before, None at first. As with `kept`, nobody
        may change it."""
        if self.catalogue.is_writing():
            return make(None)  # what is seen in here may yet be taken back
        with self._caches.lock:
            found = self._caches.kept.get(name)
        if found is not None and found[0] == of:
            return cast(T, found[1])
        made = make(cast(T, found[1]) if found is not None else None)
        with self._caches.lock:
            self._caches.kept[name] = of, made
        return made

    def _is_tagged_of(self, version: tuple[Columns, int]) -> bool:
        of, tags = self._caches.tagged_of
        return of is version[0] and tags == version[1]

    def _masks_at(self, of: Columns, version: tuple[Columns, int]) -> dict[tuple[str, ...], NDArray[np.bool_]]:
        """The masks that are kept, as they are at `version`: none where that takes reading them anew."""
        were, before = self._caches.tagged_of
        if not self._caches.tagged or were is None:
            return {}
        with self.catalogue.reading():
            rids = changes.since(self.catalogue, (before, were.version), (version[1], of.version))
            if rids is None or self.catalogue.counters()["tags"] != version[1]:
                return {}
            counting = changes.counting(self.catalogue, rids)
        gone = np.flatnonzero(of.mask_of(np.array(rids, dtype=np.int32)))
        same = np.array_equal(were.rid, of.rid)
        found = {}
        for key, mask in self._caches.tagged.items():
            now = mask.copy() if same else of.mask_of(were.rid[mask])
            now[gone] = False
            wanted = [rid for rid, dimension, target in counting if dimension == key[0] and target in key[1:]]
            now |= of.mask_of(np.array(wanted, dtype=np.int32))
            now.flags.writeable = False
            found[key] = now
        return found

    def followed(
        self, name: str, make: Callable[[], T], update: Callable[[T, Sequence[int]], T], of: object = None
    ) -> T:
        """What `make` makes of the pictures with their times and tags, and of `of`; where since then some pictures have
        changed, come or gone, or `of` has, what `update` makes of it, given the rows of those pictures. What hangs on
        the plan says so by `of`. As with `kept`, nobody may change it, `update` neither. Who asks while another thread
        makes it waits for that."""
        if self.catalogue.is_writing():
            return make()
        with self._caches.lock:
            made_by_one = self._caches.following.setdefault(name, threading.RLock())
        with made_by_one, self.catalogue.reading():
            now = changes.versions(self.catalogue)
            with self._caches.lock:
                found = self._caches.followed.get(name)
            if found is not None and found[0] == of and found[1] == now:
                return cast(T, found[2])
            rids = None if found is None else changes.since(self.catalogue, found[1], now)
            made = make() if found is None or rids is None else update(cast(T, found[2]), rids)
            with self._caches.lock:
                self._caches.followed[name] = of, now, made
        return made

    def version(self) -> tuple[object, ...]:
        """Changes with everything that is decided or comes in."""
        return (*sorted(self.catalogue.counters().items()), decisions.last_seq(self.catalogue))

    @property
    def index(self) -> TextIndex:
        """The text index, caught up with the catalogue; made anew where it is missing or damaged. Raises ArchiveBusy
        while it is caught up elsewhere."""
        if self._is_learned_elsewhere():
            raise ArchiveBusy(
                f"{indexed.waiting(self.catalogue)} pictures are found by other words now, which are being learned",
                "Ask again in a moment.",
            )
        if self._index is None:
            self._index = indexing.open_or_rebuild(self.archive.index, self.catalogue, self.plan)
        try:
            indexing.catch_up(self._index, self.catalogue, self.plan, self.report)
        except TextIndexError:
            self.rebuild_index()
        return self._index

    def _is_learned_elsewhere(self) -> bool:
        return indexed.waiting(self.catalogue) > LEARNED_AT_ONCE and self.learned_elsewhere()

    def ask(self, question: Callable[[TextIndex], T]) -> T:
        """Put a question to the text index. Damage often shows only in the asking: it is then made anew, once."""
        try:
            return question(self.index)
        except TextIndexError:
            self.rebuild_index()
            return question(self.index)

    def rebuild_index(self) -> None:
        """Make the text index anew."""
        if self._index is not None:
            self._index.close()
        self._index = indexing.rebuild(self.archive.index, self.catalogue, self.plan)

    @contextmanager
    def deciding(self) -> Iterator[None]:
        """One transaction of decisions and what follows from them. After it, the plain-text copy is caught up and the
        text index learns the words that changed; if either fails, the decision stands and the next run catches up.
        May be nested: the outermost one ends it."""
        if self.catalogue.in_transaction():
            yield
            return
        with self.catalogue.writing():
            plain.check_plain(self.catalogue, self.archive.decisions)
            yield
        plain.write_plain(self.catalogue, self.archive.decisions)
        if not self._is_learned_elsewhere():
            _ = self.index


def author() -> str:
    """Who decides, where nobody says: LASTLOOK_BY, else the name this person has logged in with."""
    named = os.environ.get("LASTLOOK_BY", "").strip()
    if named:
        return named
    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):
        return "unnamed"
