"""The newest pictures that count for something: read once for each thing that is asked for, then followed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from lastlook.catalogue import changes, showing
from lastlook.records import CaptureTime
from lastlook.store import Store

_SPARE = 12
"""So many more are kept than were asked for: where one of those goes, the next one is known."""

_LONGEST = 200
"""However many come in, no more of one thing are kept."""

_MOST = 2_000
"""So many things are kept of."""

Dated = tuple[bool, int, int]
"""A picture in order of time: whether it is known, that in ms since 1970, and the picture's row."""

_Kept = dict[tuple[str, str], tuple[list[Dated], bool]]
"""By dimension and target: the newest, the newest first, and whether these are all there are."""


def newest_tagged(store: Store, targets: Mapping[str, str], limit: int) -> dict[str, list[tuple[str, CaptureTime]]]:
    """For each of `targets` (id → dimension) that has any, the newest pictures that count as showing it, with their
    times."""
    with store.catalogue.reading():
        kept: _Kept = store.followed("newest of targets", dict, lambda was, rids: _without(store, was, rids))
        wanted = {id: _newest(store, kept, (dimension, id), limit) for id, dimension in targets.items()}
        times = showing.dated(store.catalogue, sorted({rid for each in wanted.values() for *_, rid in each}))
    return {id: [times[rid] for *_, rid in each] for id, each in wanted.items() if each}


def _newest(store: Store, kept: _Kept, of: tuple[str, str], limit: int) -> list[Dated]:
    found = kept.get(of)
    if found is None or (len(found[0]) < limit and not found[1]):
        read = showing.newest_rids(store.catalogue, *of, limit + _SPARE)
        found = read, len(read) < limit + _SPARE
        if len(kept) < _MOST:
            kept[of] = found  # read in the same view of the catalogue that `kept` is of
    return found[0][:limit]


def _without(store: Store, was: _Kept, rids: Sequence[int]) -> _Kept:
    """With some pictures as they are now."""
    if not rids:
        return was
    changed = set(rids)
    now: dict[tuple[str, str], list[Dated]] = {}
    dated = {one[2]: one for one in showing.order_of(store.catalogue, rids)}
    for rid, dimension, target in changes.counting(store.catalogue, rids):
        now.setdefault((dimension, target), []).append(dated[rid])
    found: _Kept = {}
    for of, (pictures, whole) in was.copy().items():  # another thread may just add to it what it has read
        if not pictures and not whole:
            continue
        # What is older than the last of them was never read: a picture that fell back among those is not the next one.
        least = None if whole else pictures[-1]
        fresh = [one for one in now.get(of, ()) if least is None or one >= least]
        stay = [one for one in pictures if one[2] not in changed]
        every = sorted((*stay, *fresh), reverse=True)
        found[of] = every[:_LONGEST], whole and len(every) <= _LONGEST
    return found
