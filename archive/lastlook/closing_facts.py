"""What the archive knows about closings, gathered for the pure rules of `lastlook.closing`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import lru_cache, partial
from pathlib import Path

from lastlook.catalogue import closings, decisions, pictures, showing
from lastlook.closing import folding, graph
from lastlook.closing.records import Answer, Candidate, Facts, Seen, View
from lastlook.closing.steps import APPROVAL
from lastlook.intake import regions
from lastlook.newest import newest_tagged
from lastlook.plan import structure
from lastlook.records import Closing, Decision, Picture, Plan, Step
from lastlook.store import Store

CANDIDATES = 3
"""How many tagged pictures are offered for an item of which nobody has said how a picture shows it."""


def closings_by_opening(store: Store) -> dict[str, tuple[Closing, ...]]:
    """All closings of each opening of the plan, in order."""
    found = {opening.id: tuple(closings.of_opening(store.catalogue, opening.id)) for opening in store.plan.openings}
    return {opening: acts for opening, acts in found.items() if acts}


def gather(store: Store, items: Sequence[str]) -> Facts:
    """Everything that the closing check and the last look judge by, with the pictures of `items`."""
    catalogue = store.catalogue
    with catalogue.reading():
        seen, rank = _seen(store, items)
        answers, loose = _answers(store)
        measures = [made for one in decisions.live(catalogue, "measure") if (made := folding.measure(one)) is not None]
        adhesives = [folding.adhesive(one) for one in decisions.live(catalogue, "adhesive")]
        return Facts(
            plan=store.plan,
            closings=closings_by_opening(store),
            changes=folding.by_key(map(folding.change, decisions.live(catalogue, "change")), "item"),
            measures=folding.by_key(measures, "item"),
            tests=folding.by_key(map(folding.test, decisions.live(catalogue, "test")), "subject"),
            done=folding.by_key(map(folding.done, decisions.live(catalogue, "done")), "step"),
            releases=folding.by_key(map(folding.release, decisions.live(catalogue, "release")), "target"),
            answers=folding.by_key(answers, "step"),
            loose_answers=tuple(loose),
            witnesses=folding.by_key(map(folding.witness, decisions.live(catalogue, "witness")), "step"),
            waivers=folding.by_key(map(folding.waiver, decisions.live(catalogue, "waiver")), "opening"),
            adhesives={one.id.casefold(): one for one in adhesives},  # the last word on each counts
            bonds=folding.bonds(decisions.live(catalogue, "bond"), decisions.live(catalogue, "adhesive")),
            seen=seen,
            candidates=_candidates(store, items, seen),
            rank=rank,
            in_region=partial(_in_region, store),
        )


def _answers(store: Store) -> tuple[list[Answer], list[Answer]]:
    """The client's answers to packs that were sent for an approval step, by its id or its title; and the others."""
    found: list[Answer] = []
    loose: list[Answer] = []
    answers: dict[str, list[Decision]] = {}
    for said in decisions.live(store.catalogue, "approval"):
        answers.setdefault(str(said.body["pack"]), []).append(said)
    for pack in decisions.live(store.catalogue, "approval-pack"):
        point = str(pack.body["point"])
        step = approval_step(store.plan, point)
        given = folding.answers(step.id if step else point, pack, answers.get(pack.uid, ()))
        (found if step else loose).extend(given)
    return found, loose


def approval_step(plan: Plan, point: str) -> Step | None:
    """The approval step that the point of a pack names, by its id or its title."""
    said = " ".join(point.split()).casefold()
    steps = [step for step in plan.steps if step.kind.casefold() == APPROVAL]
    return next((step for step in steps if said in (step.id.casefold(), step.title.casefold())), None)


def _in_region(store: Store, seen: Seen, station: Sequence[Seen]) -> float | None:
    if seen.view.region is None:
        return None
    return share_in_region(store, seen.picture, seen.view.region, [other.picture for other in station])


def share_in_region(
    store: Store, picture: Picture, region: tuple[int, int, int, int], station: Sequence[Picture] = ()
) -> float | None:
    """Sharpness in a region (x, y, width, height in pixels of the upright picture) as a share of the sharpest of its
    near-duplicates there, or of those of its station where it has none. None where nothing can be compared."""
    group = pictures.of_group(store.catalogue, picture.group) if picture.group is not None else []
    others = [one for one in group if one.id != picture.id and one.page] or [one for one in station if one.page]
    if not picture.page or not others or not picture.width or not picture.height:
        return None
    x, y, width, height = region
    relative = (x / picture.width, y / picture.height, width / picture.width, height / picture.height)
    derived = store.archive.derived
    own = _measure(derived / picture.page, relative)
    best = max((value for one in others if (value := _measure(derived / one.page, relative)) is not None), default=None)
    if own is None or best is None or max(own, best) <= 0:
        return None
    return round(own / max(own, best), 4)


@lru_cache(maxsize=4096)
def _measure(page: Path, relative: tuple[float, float, float, float]) -> float | None:
    """A page view is made from content and never changes: it is measured once."""
    return regions.sharpness(page, relative)


def _seen(store: Store, items: Sequence[str]) -> tuple[dict[str, tuple[Seen, ...]], dict[str, float]]:
    """The pictures that people say show the items, and the sharpness of each among its near-duplicates."""
    catalogue = store.catalogue
    said = decisions.live_about(catalogue, ("view",), [f"item:{id}" for id in items])
    views = folding.last_views(said)
    wanted = set(items)
    rids = pictures.rids_of_ids(catalogue, list({view.picture for view in views.values() if view.item in wanted}))
    standing = showing.said_to_show(catalogue, sorted(rids.values()))
    kept: list[View] = [
        view for view in views.values() if view.item in wanted and (rids.get(view.picture), view.item) in standing
    ]
    needed = sorted({rids[view.picture] for view in kept})
    found = {picture.id: picture for picture in pictures.by_rids(catalogue, needed, with_tags=False)}
    marks = decisions.live_about(catalogue, ("mark",), list(found))
    drawn: dict[str, list[Decision]] = {}
    for mark in marks:
        drawn.setdefault(str(mark.body.get("picture")), []).append(mark)
    gathered: dict[str, list[Seen]] = {}
    for view in kept:
        if view.picture not in found:
            continue
        picture = found[view.picture]
        region = view.region or folding.marked_region(drawn.get(view.picture, ()), picture, view.item)
        gathered.setdefault(view.item, []).append(Seen(replace(view, region=region), picture))
    return {id: tuple(each) for id, each in gathered.items()}, _rank(store, list(found.values()))


def _rank(store: Store, found: Sequence[Picture]) -> dict[str, float]:
    groups = showing.sharpest_of_groups(
        store.catalogue, [picture.group for picture in found if picture.group is not None]
    )
    rank: dict[str, float] = {}
    for picture in found:
        best, count = groups.get(picture.group, (0.0, 0)) if picture.group is not None else (0.0, 0)
        if picture.quality is not None and count > 1 and best > 0:
            rank[picture.id] = picture.quality.sharpness / best
    return rank


def _candidates(
    store: Store, items: Sequence[str], seen: Mapping[str, Sequence[Seen]]
) -> dict[str, tuple[Candidate, ...]]:
    known = graph.visible_items(store.plan)
    targets = {id: str(structure.kind_of(known[id])) for id in items if id in known}
    # Some more than are shown: those of which somebody has said how they show it are no candidates any more.
    most = max((len(each) for each in seen.values()), default=0)
    newest = newest_tagged(store, targets, CANDIDATES + most)
    found: dict[str, tuple[Candidate, ...]] = {}
    for id, tagged in newest.items():
        told = {one.picture.id for one in seen.get(id, ())}
        left = [Candidate(picture, time) for picture, time in tagged if picture not in told]
        if left:
            found[id] = tuple(left[:CANDIDATES])
    return found
