"""What waits for a person, at a glance: pictures to place, gaps before the next closings, bonds that still cure, files
that were not used, and how long ago the archive was backed up and checked."""

from __future__ import annotations

from collections.abc import Sequence, Set
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from lastlook import care_log, closing_check
from lastlook.care_log import DUE_DAYS
from lastlook.catalogue import decisions, paths, review
from lastlook.closing import bonds
from lastlook.closing.records import Facts, Hold, Release, State
from lastlook.closing_facts import gather
from lastlook.open_pictures import SURE
from lastlook.plan import structure
from lastlook.records import CaptureTime, Opening
from lastlook.store import Store
from lastlook.tagging.weigh import OTHER
from lastlook.viewing import OverviewCache, acts

NEXT = 2
"""How many of the openings that can be closed next are checked."""

_KEPT_FOR = timedelta(minutes=1)  # holds run on; what depends on the clock is asked again after a while


@dataclass(frozen=True, slots=True)
class Due:
    """An opening that can be closed next, with the open lines of its check by state."""

    opening: Opening
    ready: bool
    counts: tuple[tuple[State, int], ...]


@dataclass(frozen=True, slots=True)
class Waiting:
    """What waits for a person. `to_place` pictures that nobody has placed; `next` the openings that can be closed
    next; `curing` the no-load holds that are not over; `backup`, `check` when each was last done well, None: never."""

    to_place: int
    next: tuple[Due, ...]
    curing: tuple[Hold, ...]
    not_used: int
    backup: datetime | None
    check: datetime | None
    damaged: int


def late(when: datetime | None, now: datetime) -> bool:
    """Whether a backup or check of `when` is too long ago."""
    return when is None or now - when > timedelta(days=DUE_DAYS)


@dataclass(frozen=True, slots=True)
class Work:
    """What was recorded of the work, as far as it is drawn: no-load holds of every bond, and releases by target."""

    holds: tuple[Hold, ...]
    releases: dict[str, Release]


@dataclass(frozen=True, slots=True)
class _Kept:
    key: tuple[object, ...]
    at: datetime
    waiting: Waiting
    work: Work


def waiting(store: Store, cache: OverviewCache | None, now: datetime | None = None) -> tuple[Waiting, Work]:
    """What waits, and what was recorded of the work; from `cache` where nothing has changed in the last minute."""
    now = now or datetime.now(UTC)
    counters = sorted(store.catalogue.counters().items())
    key = (*counters, decisions.last_seq(store.catalogue), care_log.state(store.archive))
    kept = cache.waiting if cache is not None else None
    if isinstance(kept, _Kept) and kept.key == key and timedelta() <= now - kept.at < _KEPT_FOR:
        return kept.waiting, kept.work
    with store.catalogue.reading():
        to_place = store.followed("waiting", lambda: _to_place(store), lambda was, rids: _to_place(store, was, rids))
        work = _work(gather(store, ()), now)
        made = _waiting(store, work, len(to_place), now)
    if cache is not None:
        cache.waiting = _Kept(key, now, made, work)
    return made, work


def _waiting(store: Store, work: Work, to_place: int, now: datetime) -> Waiting:
    shut = acts(store)
    open_now = [
        id for id in structure.closing_order(store.plan) if not shut.get(id) or shut[id][-1].reopened is not None
    ]
    openings = {opening.id: opening for opening in store.plan.openings}
    due = []
    for id in open_now[:NEXT]:
        found = closing_check.check(store, id, now=now)
        states = (State.GAP, State.STALE, State.UNDETERMINED)
        counts = tuple((state, count) for state in states if (count := found.count(state)))
        due.append(Due(openings[id], found.ready, counts))
    backup, check, damaged = _care(store)
    return Waiting(
        to_place,
        tuple(due),
        tuple(each for each in work.holds if not each.over),
        len(paths.problems(store.catalogue)),
        backup,
        check,
        damaged,
    )


def _to_place(store: Store, was: Set[int] = frozenset(), rids: Sequence[int] | None = None) -> frozenset[int]:
    """Rows of the pictures that wait; `rids`: those of which it may be another than it `was`."""
    found = review.waiting_rids(store.catalogue, SURE, OTHER, rids)
    return frozenset(found if rids is None else (was - set(rids)) | found)


def _work(facts: Facts, now: datetime) -> Work:
    at = CaptureTime(now, now, now, "said", "now")
    releases = {target: found[-1] for target, found in facts.releases.items() if found}
    return Work(bonds.holds(facts, at), releases)


def _care(store: Store) -> tuple[datetime | None, datetime | None, int]:
    """When the last good backup and the last check were made, and how many originals that check found damaged."""
    backup = check = None
    damaged = 0
    for entry in care_log.read(store.archive):
        at = datetime.fromisoformat(entry["at"]).astimezone(UTC)
        if entry["what"] == "backup" and entry.get("good"):
            backup = at
        elif entry["what"] == "check":
            check, damaged = at, int(entry.get("findings", 0))
    return backup, check, damaged
