"""Other pictures of the same place and side, earlier and later, each verified point by point."""

from __future__ import annotations

from dataclasses import dataclass

from lastlook import marking, picturing
from lastlook.catalogue import grouped, pictures
from lastlook.errors import ArchiveError
from lastlook.progress import Progress, Report, Stage, silent
from lastlook.records import Dimension, Picture
from lastlook.registration import sameview
from lastlook.registration.sameview import Looked, View
from lastlook.store import Store

_SEEN_EDGE = 1000
_MOST_ASKED = 80
_THROUGH, _LEAST_THROUGH = 3, 40  # by how many pictures another one is reached, and what must agree at each step


@dataclass(frozen=True, slots=True)
class Seen:
    """Another picture, and how it compares: with the one asked about, or with the picture `through` that is the same
    view as that one."""

    picture: Picture
    view: View
    through: str = ""


@dataclass(frozen=True, slots=True)
class SameView:
    """Pictures of the same place and side, oldest first; those that fit only in a mirror; how many were asked, of how
    many that might have been."""

    picture: Picture
    same: tuple[Seen, ...]
    mirrored: tuple[Seen, ...]
    asked: int
    candidates: int


def same_view(store: Store, picture: str, *, most: int = _MOST_ASKED, report: Report = silent) -> SameView:
    """Other pictures of the same place and side. `report` hears how many were compared."""
    here = pictures.find(store.catalogue, picture)
    candidates = _likely(store, here)
    look = _look(store, here)
    looks: dict[str, Looked] = {}
    same: list[Seen] = []
    mirrored: list[Seen] = []
    asked = _in_order(store, candidates[:most])
    for n, other in enumerate(asked, start=1):
        report(Progress(Stage.COMPARE, n, len(asked)))
        try:
            looks[other.id] = _look(store, other)
        except ArchiveError:
            continue  # one picture that cannot be read does not end the search; 'verify' names it
        view = sameview.compare(look, looks[other.id])
        if view.same:
            same.append(Seen(other, view))
        elif view.mirrored:
            mirrored.append(Seen(other, view))
    same += _through(same, [each for each in asked if each.id in looks], {each.picture.id for each in mirrored}, looks)

    def when(each: Seen) -> float:
        return each.picture.time.instant.timestamp() if each.picture.time.instant else 0.0

    return SameView(here, tuple(sorted(same, key=when)), tuple(mirrored), len(asked), len(candidates))


def _through(same: list[Seen], asked: list[Picture], mirrored: set[str], looks: dict[str, Looked]) -> list[Seen]:
    """Pictures that are the same view as one that is: what changed between them may hide more than either step does.
    One step only, and through the surest, so that a view does not wander along the model."""
    surest = sorted(same, key=lambda each: -each.view.agree)[:_THROUGH]
    known = {each.picture.id for each in same} | mirrored
    found: dict[str, Seen] = {}
    for by in surest:
        if by.view.agree < _LEAST_THROUGH:
            break
        for other in asked:
            if other.id in known or other.id in found:
                continue
            view = sameview.compare(looks[by.picture.id], looks[other.id])
            if view.same and view.agree >= _LEAST_THROUGH:
                found[other.id] = Seen(other, view, by.picture.id)
    return list(found.values())


def _likely(store: Store, here: Picture) -> list[int]:
    """Rows of the pictures to ask, the likeliest first: those tagged alike, the nearest look first; one of each group
    of near-duplicates, since the others show the same. Whole pictures are read only of those that are asked."""
    subs = here.counted(Dimension.SUBASSEMBLY)
    bits = here.quality.phash if here.quality is not None else None

    def order(row: tuple[int, int | None, int | None, bool]) -> tuple[bool, int]:
        _, phash, _, tagged = row
        return bool(subs) and not tagged, 64 if bits is None or phash is None else (bits ^ phash).bit_count()

    groups: set[int] = {here.group} if here.group is not None else set()
    out: list[int] = []
    for rid, _, group, _ in sorted(grouped.for_comparing(store.catalogue, subs), key=order):
        if rid == here.rid or (group is not None and group in groups):
            continue
        if group is not None:
            groups.add(group)
        out.append(rid)
    return out


def _in_order(store: Store, rids: list[int]) -> list[Picture]:
    found = {each.rid: each for each in pictures.by_rids(store.catalogue, rids)}
    return [found[rid] for rid in rids if rid in found]


def _look(store: Store, picture: Picture) -> Looked:
    loaded = picturing.load(store, picture, _SEEN_EDGE)
    drawn = marking.outline(store, picture.id)
    return sameview.look(loaded.grey, loaded.to_work(drawn) if drawn is not None else None)
