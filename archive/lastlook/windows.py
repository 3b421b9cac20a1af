"""A stretch of the build's time, by subassembly: where its pictures lie, and which they are.

However many pictures there are, a stretch is told in `BINS` places. What a place counts is honest to its width: a
picture whose time is known less closely than one place counts as a span over all the time it may be of, never as a
tick; one of which only "not later than" is known is counted apart. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from lastlook import times
from lastlook.catalogue import pictures
from lastlook.catalogue.columns import UNKNOWN, Columns
from lastlook.plan import structure
from lastlook.records import Dimension, Picture
from lastlook.store import Store
from lastlook.viewing import BINS, OverviewCache, without_closings

SHORTEST = timedelta(hours=1)
FIRST, LAST = datetime(1900, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)

_OPEN = pictures.ms(times.OPEN_START + timedelta(days=2))  # a still lies some seconds behind its clip's beginning


@dataclass(frozen=True, slots=True)
class Window:
    """[start, end) of the time axis."""

    start: datetime
    end: datetime

    @property
    def length(self) -> timedelta:
        return self.end - self.start

    @property
    def middle(self) -> datetime:
        return self.start + self.length / 2

    def within(self, longest: timedelta) -> Window:
        """The window no shorter than `SHORTEST` and no longer than `longest` about its middle, and inside the years
        that any picture can be of."""
        length = min(max(self.length, SHORTEST), max(longest, SHORTEST))
        start = self.start if length == self.length else self.middle - length / 2
        start = min(max(start, FIRST), LAST - length)
        return Window(start, start + length)

    def scaled(self, factor: float) -> Window:
        half = self.length * factor / 2
        return Window(self.middle - half, self.middle + half)

    def moved(self, share: float) -> Window:
        return Window(self.start + self.length * share, self.end + self.length * share)


@dataclass(frozen=True, slots=True)
class Lie:
    """Where a subassembly's pictures lie in a window. `ticks` are (place, count) of pictures whose time is known to
    within a place; `spans` (first place, last place, most at a time) of stretches that others may be of; `count` and
    `vague` how many there are of either."""

    ticks: tuple[tuple[int, int], ...]
    spans: tuple[tuple[int, int, int], ...]
    count: int
    vague: int


@dataclass(frozen=True, slots=True)
class Stretch:
    """The pictures of a subassembly in a stretch of time, oldest first: those whose time is known closely enough, and
    those of which it cannot be told whether they belong there. The totals count what is not listed too."""

    total: int
    pictures: tuple[Picture, ...]
    vague_total: int
    vague: tuple[Picture, ...]


@dataclass(frozen=True, slots=True)
class Series:
    """Pictures of known time as parallel arrays in order of `taken`: milliseconds since 1970, UTC, and catalogue rows.
    `open` counts those of which only the latest time is known; they are not in the arrays."""

    taken: NDArray[np.int64]
    earliest: NDArray[np.int64]
    latest: NDArray[np.int64]
    rid: NDArray[np.int32]
    open: int


@dataclass
class SeriesCache:
    """Series by subassembly ("" for all pictures), of one state of tags, times and plan."""

    of: tuple[tuple[str, int], ...] = ()
    series: dict[str, Series] = field(default_factory=dict)


def series(store: Store, cache: OverviewCache | None) -> Mapping[str, Series]:
    """The series of every subassembly with what is built into it, and of all pictures under ""."""
    key = without_closings(store)
    kept = cache.series if cache is not None else None
    if isinstance(kept, SeriesCache) and kept.of == key:
        return kept.series
    with store.catalogue.reading():
        plan, columns = store.plan, store.columns
        made = {"": _series(columns, np.ones(len(columns.rid), dtype=bool))}
        for sub in plan.subassemblies:
            masks = [store.tagged(columns, Dimension.SUBASSEMBLY, (id,)) for id in structure.subtree(plan, sub.id)]
            made[sub.id] = _series(columns, np.logical_or.reduce(masks))
    if cache is not None:
        cache.series = SeriesCache(key, made)
    return made


def lie(one: Series, window: Window) -> Lie:
    """Where the pictures of a series lie in a window."""
    start, end = pictures.ms(window.start), pictures.ms(window.end)
    place = (end - start) / BINS
    inside = slice(*np.searchsorted(one.taken, (start, end)))
    close = one.latest[inside] - one.earliest[inside] <= place
    at = ((one.taken[inside][close] - start) / place).astype(np.int64)
    counts = np.bincount(np.clip(at, 0, BINS - 1), minlength=BINS)
    ticks = tuple((int(n), int(counts[n])) for n in np.flatnonzero(counts))
    vague = (one.latest - one.earliest > place) & (one.latest >= start) & (one.earliest < end)
    return Lie(ticks, _spans(one, vague, start, place), int(counts.sum()), int(np.count_nonzero(vague)))


def _spans(one: Series, vague: NDArray[np.bool_], start: int, place: float) -> tuple[tuple[int, int, int], ...]:
    """The stretches that vague pictures cover, those that touch as one."""
    if not vague.any():
        return ()
    first = np.clip(((one.earliest[vague] - start) / place).astype(np.int64), 0, BINS - 1)
    last = np.clip(((one.latest[vague] - start) / place).astype(np.int64), 0, BINS - 1)
    steps = np.bincount(first, minlength=BINS + 1) - np.bincount(last + 1, minlength=BINS + 1)
    over = np.cumsum(steps[:BINS])
    edges = np.flatnonzero(np.diff(np.concatenate(([0], (over > 0).astype(np.int8), [0]))))
    return tuple((int(a), int(b) - 1, int(over[a:b].max())) for a, b in edges.reshape(-1, 2))


def stretch(store: Store, one: Series, window: Window, within: Window, limit: int) -> Stretch:
    """The pictures of a series in a part of a window: as `lie` told them apart in the window."""
    place = (pictures.ms(within.end) - pictures.ms(within.start)) / BINS
    start, end = pictures.ms(window.start), pictures.ms(window.end)
    close = one.latest - one.earliest <= place
    sure = np.flatnonzero(close & (one.taken >= start) & (one.taken < end))
    vague = np.flatnonzero(~close & (one.latest >= start) & (one.earliest < end))
    return Stretch(len(sure), _whole(store, one.rid[sure[:limit]]), len(vague), _whole(store, one.rid[vague[:limit]]))


def beside(one: Series, window: Window) -> tuple[datetime | None, datetime | None]:
    """The times of the last picture before a window and of the first after it."""
    start, end = pictures.ms(window.start), pictures.ms(window.end)
    before, after = (int(n) for n in np.searchsorted(one.taken, (start, end)))
    return (
        pictures.from_ms(int(one.taken[before - 1])) if before else None,
        pictures.from_ms(int(one.taken[after])) if after < len(one.taken) else None,
    )


def _series(columns: Columns, mask: NDArray[np.bool_]) -> Series:
    known = mask & (columns.taken != UNKNOWN) & (columns.earliest != UNKNOWN) & (columns.latest != UNKNOWN)
    bounded = known & (columns.earliest > _OPEN)
    at = np.flatnonzero(bounded)
    at = at[np.argsort(columns.taken[at], kind="stable")]
    return Series(
        columns.taken[at],
        columns.earliest[at],
        columns.latest[at],
        columns.rid[at],
        int(np.count_nonzero(known)) - len(at),
    )


def _whole(store: Store, rids: Sequence[int] | NDArray[np.int32]) -> tuple[Picture, ...]:
    found = {one.rid: one for one in pictures.by_rids(store.catalogue, [int(rid) for rid in rids])}
    return tuple(found[int(rid)] for rid in rids if int(rid) in found)
