"""Open pictures, parted by time, so that a change is followed in the parts that it touches and nowhere else.

A picture is open until a person has put it to a subassembly or step, or has said no to all that was proposed.
"""

from __future__ import annotations

import bisect
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from operator import attrgetter

from lastlook.catalogue import pictures, review
from lastlook.catalogue.review import Open
from lastlook.records import CaptureTime, Dimension
from lastlook.store import Store
from lastlook.tagging.sessions import Session
from lastlook.tagging.weigh import OTHER

PAUSE_MS = 20 * 60 * 1000
SURE = 0.95
WORTH = 0.2  # a claim less sure than this is no choice worth a key
STRETCH = "stretch"
_SESSION = "session "


class Need(StrEnum):
    CONFLICT = "conflict"
    NOTHING = "nothing"
    UNSURE = "unsure"
    APPLIED = "applied"


Key = tuple[str, tuple[str, ...]]
"""Where a picture comes from and what is claimed of it."""


@dataclass(frozen=True, slots=True)
class Entry:
    """An open picture with what its group follows from. `after`: where it stands in order of time; `sure`: it is left
    out unless all is asked for; `timed_ms`: when it was taken, None for stills and where that is not known: those part
    no stretches."""

    one: Open
    after: tuple[bool, int, int]
    sure: bool
    timed_ms: int | None
    key: Key


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """Open pictures that no pause parts from each other, or those of one clip or undated file, in order of time; the
    very same as long as nothing in it changes. `earliest_ms` to `latest_ms`: all that they may be of, if anything."""

    entries: tuple[Entry, ...]
    rids: frozenset[int]
    earliest_ms: int
    latest_ms: int

    @property
    def first_ms(self) -> int:
        return self.entries[0].after[1]

    @property
    def last_ms(self) -> int:
        return self.entries[-1].after[1]

    def reaches(self, low_ms: int, high_ms: int) -> bool:
        """Whether one of its pictures may be of a time from the one to the other."""
        return self.latest_ms >= low_ms and self.earliest_ms <= high_ms

    def stretches(self, *, everything: bool) -> list[tuple[Key, list[Open]]]:
        """Pictures that share what a group follows from, with that, but for those of sessions. With `everything` those
        that are sure are among them, and fewer pauses."""
        found: list[tuple[Key, list[Open]]] = []
        stretch: dict[Key, list[Open]] = defaultdict(list)
        goes_on_until: int | None = None
        for entry in self._shown(everything):
            if entry.timed_ms is not None:
                if goes_on_until is not None and entry.timed_ms > goes_on_until:
                    found += stretch.items()
                    stretch.clear()
                goes_on_until = entry.timed_ms + PAUSE_MS
            if not entry.key[0].startswith(_SESSION):
                stretch[entry.key].append(entry.one)
        return [*found, *stretch.items()]

    def of_sessions(self, *, everything: bool) -> dict[Key, list[Open]]:
        """Its pictures of sessions by what a group of them follows from: a session may outlast a pause."""
        found: dict[Key, list[Open]] = defaultdict(list)
        for entry in self._shown(everything):
            if entry.key[0].startswith(_SESSION):
                found[entry.key].append(entry.one)
        return found

    def _shown(self, everything: bool) -> Iterable[Entry]:
        return self.entries if everything else (entry for entry in self.entries if not entry.sure)


@dataclass(frozen=True, slots=True)
class Opened:
    """All open pictures: photos of known time in parts, in their order, and those of each clip and undated file; and
    the sessions by which they were told apart, in order of their start."""

    sessions: tuple[Session, ...]
    timed: tuple[Part, ...]
    apart: Mapping[str, Part]

    def parts(self) -> Iterator[Part]:
        yield from self.timed
        yield from self.apart.values()

    def between(self, low_ms: int, high_ms: int) -> list[Open]:
        """Those that may be of a time from the one to the other, in order of time, those of unknown time last."""
        found = [entry for part in self.parts() if part.reaches(low_ms, high_ms) for entry in part.entries]
        found.sort(key=attrgetter("after"))
        return [entry.one for entry in found if _reaches(entry.one, low_ms, high_ms)]


def followed(store: Store, sessions: tuple[Session, ...]) -> Opened:
    """What is open now. `sessions`: those that there are, in order of their start."""
    return store.followed(
        "open pictures",
        lambda: opened_of(sessions, review.open_pictures(store.catalogue)),
        lambda was, rids: updated(was, sessions, rids, review.open_pictures(store.catalogue, rids)),
        of=sessions,
    )


def opened_of(sessions: tuple[Session, ...], every: Iterable[Open]) -> Opened:
    """`every`: all that no person has placed."""
    return updated(Opened(sessions, (), {}), sessions, (), every)


def updated(was: Opened, sessions: tuple[Session, ...], rids: Sequence[int], now: Iterable[Open]) -> Opened:
    """What was open, after the pictures of `rids` have changed, of which those in `now` are not placed, and after the
    sessions have: the same parts but where that touches them."""
    within = _Within(sessions)
    changed = frozenset(rids)
    new = [_entry(one, within) for one in now if not _refused(one)]
    return Opened(sessions, _timed(was, within, changed, new), _apart(was.apart, changed, new))


def time_of(one: Open) -> CaptureTime:
    return CaptureTime(
        pictures.from_ms(one.taken_ms), pictures.from_ms(one.earliest_ms), pictures.from_ms(one.latest_ms), "", ""
    )


def need_of(one: Open) -> Need:
    places = [claim for claim in one.claims if claim.dimension is Dimension.SUBASSEMBLY]
    if not places:
        return Need.UNSURE if one.claims else Need.NOTHING
    if OTHER in places[0].why:
        return Need.CONFLICT
    return Need.APPLIED if places[0].counts else Need.UNSURE


def surest(one: Open) -> float:
    """How sure what stands on it is, 0 where nothing does."""
    return max((claim.confidence for claim in one.claims if claim.counts), default=0.0)


# ------------------------------------------------------------------------------------------------ parting by time


def _timed(was: Opened, within: _Within, changed: frozenset[int], new: Sequence[Entry]) -> tuple[Part, ...]:
    starts = [part.first_ms for part in was.timed]
    ends = [part.last_ms for part in was.timed]
    touched = {at for at, part in enumerate(was.timed) if not changed.isdisjoint(part.rids)}
    loose = [entry for entry in new if entry.timed_ms is not None]
    for entry in loose:
        at_ms = entry.after[1]
        touched.update(range(bisect.bisect_left(ends, at_ms - PAUSE_MS), bisect.bisect_right(starts, at_ms + PAUSE_MS)))
    span = _differing(was.sessions, within.sessions)
    if span is not None:
        touched.update(at for at, part in enumerate(was.timed) if part.reaches(*span))
    for at in touched:
        for entry in was.timed[at].entries:
            if entry.one.rid not in changed:
                told_anew = span is not None and _reaches(entry.one, *span)
                loose.append(_entry(entry.one, within) if told_anew else entry)
    loose.sort(key=attrgetter("after"))
    kept = [part for at, part in enumerate(was.timed) if at not in touched]
    return tuple(sorted([*kept, *_parted(loose)], key=attrgetter("first_ms")))


def _differing(was: Sequence[Session], now: Sequence[Session]) -> tuple[int, int] | None:
    """From the start to the end, in ms, of what sessions that came, went or changed span."""
    if was == now:
        return None
    before, after = set(was), set(now)
    spans = [(pictures.ms(each.start), pictures.ms(each.end)) for each in before ^ after]
    return (min(start for start, _ in spans), max(end for _, end in spans)) if spans else None


def _parted(entries: Sequence[Entry]) -> Iterator[Part]:
    """`entries` of photos in order of time."""
    began = 0
    for at in range(1, len(entries) + 1):
        if at == len(entries) or entries[at].after[1] > entries[at - 1].after[1] + PAUSE_MS:
            yield _part(entries[began:at])
            began = at


def _apart(was: Mapping[str, Part], changed: frozenset[int], new: Sequence[Entry]) -> Mapping[str, Part]:
    """Those of clips and of undated files."""
    loose: dict[str, list[Entry]] = defaultdict(list)
    for entry in new:
        if entry.timed_ms is None:
            loose[entry.key[0]].append(entry)
    touched = {where for where, part in was.items() if where in loose or not changed.isdisjoint(part.rids)}
    for where in touched:
        loose[where] += (entry for entry in was[where].entries if entry.one.rid not in changed)
    made = {where: _part(sorted(each, key=attrgetter("after"))) for where, each in loose.items() if each}
    return {where: part for where, part in was.items() if where not in touched} | made


def _part(entries: Sequence[Entry]) -> Part:
    earliest = [entry.one.earliest_ms for entry in entries if entry.one.earliest_ms is not None]
    latest = [entry.one.latest_ms for entry in entries if entry.one.latest_ms is not None]
    spans = (min(earliest), max(latest)) if earliest and latest else (1, 0)
    return Part(tuple(entries), frozenset(entry.one.rid for entry in entries), *spans)


def _reaches(one: Open, low_ms: int, high_ms: int) -> bool:
    return (
        one.earliest_ms is not None
        and one.latest_ms is not None
        and one.latest_ms >= low_ms
        and one.earliest_ms <= high_ms
    )


# ------------------------------------------------------------------------------------------------ one picture


class _Within:
    """The sessions, so laid out that the one of a picture is found among a year of them."""

    def __init__(self, sessions: tuple[Session, ...]) -> None:
        self.sessions = sessions  # in order of their start
        self._starts = [pictures.ms(each.start) for each in sessions]
        self._longest = max((pictures.ms(each.end) - pictures.ms(each.start) for each in sessions), default=0)

    def session_of(self, one: Open) -> Session | None:
        """The first session that holds more than half of the time a picture may be of."""
        if one.earliest_ms is None or one.latest_ms is None:
            return None
        last = bisect.bisect_right(self._starts, one.latest_ms)
        first = bisect.bisect_left(self._starts, one.earliest_ms - self._longest - 1)
        if first == last:
            return None
        time = time_of(one)
        return next((each for each in self.sessions[first:last] if each.share(time) > 0.5), None)


def _entry(one: Open, within: _Within) -> Entry:
    timed_ms = one.taken_ms if one.clip_ms is None else None
    if one.taken_ms is None:
        where = f"undated {one.sha256}"
    elif timed_ms is None:
        where = f"clip {one.sha256}"
    else:
        session = within.session_of(one)
        where = f"{_SESSION}{session.uid}" if session else STRETCH
    need = need_of(one)
    sure = need is Need.APPLIED and surest(one) >= SURE
    after = one.taken_ms is None, one.taken_ms or 0, one.rid
    return Entry(one, after, sure, timed_ms, (where, (need.value, *_signature(one))))


def _refused(one: Open) -> bool:
    """Whether a person looked, and said no to all there was."""
    return one.rejected and not one.claims


def _signature(one: Open) -> tuple[str, ...]:
    """What is claimed of a picture, as far as it decides which answer fits: its surest place and step."""
    best: dict[Dimension, str] = {}
    for claim in one.claims:
        if claim.confidence >= WORTH:
            best.setdefault(claim.dimension, claim.target)
    return best.get(Dimension.SUBASSEMBLY, ""), best.get(Dimension.STEP, "")
