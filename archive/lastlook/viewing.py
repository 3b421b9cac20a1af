"""What pages show of an archive at a glance: the build by subassembly and time, one clip, a picture's surroundings.

Everything here reads; nothing decides. The overview of a large archive is counted from arrays and kept until a tag, a
time, a closing or the plan changes, so that a page never walks over all pictures.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import chain
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lastlook import counting, originals
from lastlook.catalogue import closings, media, paths, pictures
from lastlook.catalogue.columns import UNKNOWN, Columns
from lastlook.catalogue.media import Medium
from lastlook.errors import ArchiveError, NoSuchId, OriginalUnreadable
from lastlook.ingest import intake_settings
from lastlook.intake.photo import NotShowable
from lastlook.intake.reader import larger_view
from lastlook.plan import structure
from lastlook.records import Closing, Cue, Dimension, Opening, Picture, Plan, Problem, Step, Subassembly
from lastlook.store import Store

BINS = 160
"""Into how many stretches of equal length the time of a build is cut."""

_OUTLIERS = 0.02
"""The share of pictures that may lie off the strip, where they are far from all others: one camera whose clock stands
at 1980 must not flatten a build."""

_VAGUE_MS = 7 * 24 * 3600 * 1000
"""A time less sure than this does not say how far the strip reaches: a copy's date on disk may be of any year."""


@dataclass(frozen=True, slots=True)
class Span:
    """From the first to the last picture of something, and how many there are."""

    count: int = 0
    first: datetime | None = None
    last: datetime | None = None


@dataclass(frozen=True, slots=True)
class Row:
    """One subassembly in the overview. `depth` 0 is not within another. `bins` are (place, count) of what has any.

    `seen` spans the pictures of the subassembly itself and all within it; `last` is the one of them that is surely the
    newest: the one that cannot be older than any other, so that a vague date never passes for a last look.
    `shut` are the openings that show it, with their closings; `hidden` is the last of these acts once all are shut.
    `over` are the openings that show no more than parts in it, `waits` those that show nothing of it but must wait for
    its steps.
    """

    sub: Subassembly
    depth: int
    seen: Span
    bins: tuple[tuple[int, int], ...]
    steps: tuple[tuple[Step, Span], ...]
    last: Picture | None
    shut: tuple[tuple[Opening, tuple[Closing, ...]], ...]
    over: tuple[tuple[Opening, tuple[Closing, ...]], ...]
    waits: tuple[tuple[Opening, tuple[Closing, ...]], ...]
    hidden: Closing | None


@dataclass(frozen=True, slots=True)
class Overview:
    """The build by subassembly and time. `start` and `end` bound the strip, None without a single known time.

    `outside` counts pictures whose time lies off the strip, `undated` those of unknown time, `unplaced` those that
    count for no subassembly; `runs` are the runs that have pictures, with how many.
    """

    start: datetime | None
    end: datetime | None
    rows: tuple[Row, ...]
    openings: tuple[tuple[Opening, tuple[Closing, ...]], ...]
    pictures: int
    outside: int
    undated: int
    unplaced: int
    runs: Mapping[str, int]


@dataclass
class OverviewCache:
    """What was counted last and what it was counted from; shared by threads."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    key: tuple[tuple[str, int], ...] = ()
    overview: Overview | None = None
    tally_key: tuple[tuple[str, int], ...] = ()
    tally: media.Tally | None = None
    series: object = None
    waiting: object = None


def overview(store: Store, cache: OverviewCache | None = None) -> Overview:
    """The build by subassembly and time, from `cache` where nothing has changed since."""
    key = _version(store)
    if cache is not None:
        with cache.lock:
            if cache.overview is not None and cache.key == key:
                return cache.overview
    with store.catalogue.reading():
        made = _overview(store)
    if cache is not None:
        with cache.lock:
            cache.key, cache.overview = key, made
    return made


def _version(store: Store) -> tuple[tuple[str, int], ...]:
    """Changes with every tag, time, plan and closing."""
    return tuple(sorted(store.catalogue.counters().items()))


def without_closings(store: Store) -> tuple[tuple[str, int], ...]:
    """Changes with every tag, time and plan: the version of what is made of pictures alone."""
    return tuple(each for each in _version(store) if each[0] != "closings")


def _overview(store: Store) -> Overview:
    plan, columns = store.plan, store.columns
    shut = acts(store)
    known = columns.taken != UNKNOWN
    sure = known & (columns.latest - columns.earliest < _VAGUE_MS)
    start, end = _bounds(columns.taken[sure if sure.any() else known], chain.from_iterable(shut.values()))
    own = {sub.id: _mask(store, columns, Dimension.SUBASSEMBLY, (sub.id,)) for sub in plan.subassemblies}
    placed = np.zeros(len(columns.rid), dtype=bool)
    for mask in own.values():
        placed |= mask
    outside = 0
    if start is not None and end is not None:
        outside = int(np.count_nonzero(known & ((columns.taken < start) | (columns.taken > end))))
    rows = []
    for sub in nested(plan):
        mask = np.logical_or.reduce([own[id] for id in structure.subtree(plan, sub.id)])
        seen = columns.taken[mask & known]
        full, partial, waiting = openings_of(plan, sub.id)
        rows.append(
            Row(
                sub=sub,
                depth=len(structure.ancestors(plan, sub.id)),
                seen=_span(columns, mask),
                bins=_bins(seen, start, end),
                steps=tuple(
                    (step, _span(columns, _mask(store, columns, Dimension.STEP, (step.id,))))
                    for step in structure.steps_of(plan, sub.id)
                ),
                last=_newest(store, columns, mask),
                shut=tuple((opening, shut.get(opening.id, ())) for opening in full),
                over=tuple((opening, shut.get(opening.id, ())) for opening in partial),
                waits=tuple((opening, shut.get(opening.id, ())) for opening in waiting),
                hidden=hidden_since([shut.get(opening.id, ()) for opening in full]),
            )
        )
    return Overview(
        start=pictures.from_ms(start),
        end=pictures.from_ms(end),
        rows=tuple(rows),
        openings=tuple((opening, shut.get(opening.id, ())) for opening in plan.openings),
        pictures=len(columns.rid),
        outside=outside,
        undated=int(np.count_nonzero(~known)),
        unplaced=int(np.count_nonzero(~placed)),
        runs=counting.counts(store, Dimension.RUN),
    )


def nested(plan: Plan) -> list[Subassembly]:
    """The subassemblies as the plan nests them: each followed by what is built into it, else in the plan's order."""
    inside: dict[str, list[Subassembly]] = {}
    for sub in plan.subassemblies:
        inside.setdefault(sub.within, []).append(sub)

    def below(id: str) -> list[Subassembly]:
        return [one for sub in inside.get(id, ()) for one in (sub, *below(sub.id))]

    return below("")


def openings_of(plan: Plan, sub: str) -> tuple[list[Opening], list[Opening], list[Opening]]:
    """The openings that matter to a subassembly: those that show it, those that show only parts in it, and those that
    show nothing of it but must wait for its steps. Each in the order of the plan."""
    full = set(structure.openings_showing(plan, sub))
    some = {id for part in structure.parts_in(plan, sub) for id in structure.openings_showing(plan, part.id)}
    waiting = {id for step in structure.steps_of(plan, sub) for id in step.before}
    return (
        [opening for opening in plan.openings if opening.id in full],
        [opening for opening in plan.openings if opening.id in some - full],
        [opening for opening in plan.openings if opening.id in waiting - some - full],
    )


def hidden_since(closings_of: Sequence[Sequence[Closing]]) -> Closing | None:
    """The closing that hid something, given the closings of each opening that shows it: the last one, once every
    opening is shut. None while it can be seen, and for what no opening shows."""
    now = [each[-1] for each in closings_of if each and each[-1].reopened is None]
    if not closings_of or len(now) < len(closings_of):
        return None
    return max(now, key=lambda closing: pictures.to_ms(closing.time.latest) or 0)


def _bounds(taken: NDArray[np.int64], shut: Iterable[Closing]) -> tuple[int | None, int | None]:
    """First and last millisecond of the strip: pictures but for a few far ones, every act, a little room."""
    ends = [ms for act in shut if (ms := pictures.to_ms(act.time.instant)) is not None]
    if len(taken):
        core = _core(np.sort(taken))
        ends += [int(core[0]), int(core[-1])]
    if not ends:
        return None, None
    room = max((max(ends) - min(ends)) // 50, 3_600_000)
    return min(ends) - room, max(ends) + room


def _core(ordered: NDArray[np.int64]) -> NDArray[np.int64]:
    """Times without a few at either end that lie further off than all the others together reach."""
    most = int(len(ordered) * _OUTLIERS)
    spare = most
    while spare and len(ordered) > 2:
        gaps = np.diff(ordered)
        head, tail = gaps[:spare], gaps[-spare:]
        first, last = int(np.argmax(head)), len(gaps) - spare + int(np.argmax(tail))
        if ordered[-1] - ordered[first + 1] < gaps[first]:
            ordered = ordered[first + 1 :]
        elif ordered[last] - ordered[0] < gaps[last]:
            ordered = ordered[: last + 1]
        else:
            break
        spare -= 1
    return ordered


def _mask(store: Store, columns: Columns, dimension: Dimension, targets: Sequence[str]) -> NDArray[np.bool_]:
    return store.tagged(columns, dimension, targets)


def _span(columns: Columns, mask: NDArray[np.bool_]) -> Span:
    taken = columns.taken[mask]
    known = taken[taken != UNKNOWN]
    if not len(known):
        return Span(len(taken))
    return Span(len(taken), pictures.from_ms(int(known.min())), pictures.from_ms(int(known.max())))


def _bins(taken: NDArray[np.int64], start: int | None, end: int | None) -> tuple[tuple[int, int], ...]:
    if start is None or end is None or not len(taken):
        return ()
    counts, _ = np.histogram(taken, bins=BINS, range=(start, end))
    return tuple((int(at), int(counts[at])) for at in np.flatnonzero(counts))


def _newest(store: Store, columns: Columns, mask: NDArray[np.bool_]) -> Picture | None:
    at = np.flatnonzero(mask & (columns.taken != UNKNOWN))
    if not len(at):
        at = np.flatnonzero(mask)
    if not len(at):
        return None
    at = at[np.lexsort((columns.taken[at], columns.earliest[at]))]
    found = pictures.by_rids(store.catalogue, [int(columns.rid[at[-1]])])
    return found[0] if found else None


# ------------------------------------------------------------------------------------------------ one picture


def picture(store: Store, id: str) -> Picture:
    """A picture by its whole id. Raises NoSuchId: an address names one picture, never the beginning of one."""
    found = pictures.by_rids(store.catalogue, list(pictures.rids_of_ids(store.catalogue, [id]).values()))
    if not found:
        raise NoSuchId("picture", id)
    return found[0]


# ------------------------------------------------------------------------------------------------ one clip


@dataclass(frozen=True, slots=True)
class Clip:
    """A clip with its stills in order and the words spoken over it."""

    medium: Medium
    stills: tuple[Picture, ...]
    cues: tuple[Cue, ...]


def clip(store: Store, id: str) -> Clip:
    """A clip by its whole id. Raises NoSuchId."""
    medium = media.find_clip(store.catalogue, id)
    if medium.id != id:
        raise NoSuchId("clip", id)
    return Clip(
        medium,
        tuple(pictures.of_medium(store.catalogue, medium.sha256)),
        tuple(media.cues_of_clip(store.catalogue, medium.sha256)),
    )


# ------------------------------------------------------------------------------------------------ the archive


def tally(store: Store, cache: OverviewCache | None = None) -> media.Tally:
    """How much the archive holds, from `cache` where nothing has changed since; files not used are counted afresh."""
    if cache is None:
        return media.tally(store.catalogue)
    key = without_closings(store)
    with cache.lock:
        kept = cache.tally if cache.tally_key == key else None
    if kept is None:
        kept = media.tally(store.catalogue)
        with cache.lock:
            cache.tally_key, cache.tally = key, kept
    return replace(kept, problems=len(paths.problems(store.catalogue)))


def problems(store: Store) -> list[Problem]:
    """Files that could not be used, or only in part."""
    return paths.problems(store.catalogue)


def acts(store: Store) -> dict[str, tuple[Closing, ...]]:
    """All closings by opening, oldest first."""
    found: dict[str, list[Closing]] = {}
    for closing in closings.every(store.catalogue):
        found.setdefault(closing.opening, []).append(closing)
    return {opening: tuple(each) for opening, each in found.items()}


# ------------------------------------------------------------------------------------------------ files


def make_large(store: Store, shown: Sequence[Picture], edge: int) -> None:
    """Make the views of several photos that `large` gives, two at a time; of one that cannot be read, it says why."""
    settings = intake_settings(store, in_place=True)
    found = (media.get(store.catalogue, each.sha256) for each in shown)
    wanted = [(str(originals.where(store, each)), each.sha256) for each in found if each is not None and each.shown]

    def make(one: tuple[str, str]) -> None:
        with contextlib.suppress(NotShowable, OSError):
            larger_view(*one, settings, edge)

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(make, dict.fromkeys(wanted)))


def large(store: Store, picture: Picture, edge: int) -> Path:
    """A view of a photo with a long edge of at most `edge` pixels, made when it is first asked for.

    Raises OriginalUnreadable, and ArchiveError where the archive's disk does not take it.
    """
    medium = media.get(store.catalogue, picture.sha256)
    if medium is None or not medium.shown:
        raise ArchiveError(f"{picture.file} cannot be shown", "Open the original with the program of its camera.")
    settings = intake_settings(store, in_place=True)
    path = originals.at_hand(store, medium)
    try:
        return settings.derived / larger_view(str(path), medium.sha256, settings, edge)
    except NotShowable as error:
        raise OriginalUnreadable(picture.file, error.reason) from error
    except OSError as error:
        raise ArchiveError(
            f"the larger view of {picture.file} cannot be kept: {(error.strerror or 'error').lower()}",
            "Check the archive's disk and its room.",
        ) from error
