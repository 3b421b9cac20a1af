"""What the archive knows about closings, gathered for the pure rules of `lastlook.closing`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from lastlook.catalogue import closings, decisions, pictures, showing
from lastlook.closing import folding, graph
from lastlook.closing.records import Candidate, Facts, Seen, View
from lastlook.plan import structure
from lastlook.records import Closing, Decision, Picture
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
            witnesses=folding.by_key(map(folding.witness, decisions.live(catalogue, "witness")), "step"),
            waivers=folding.by_key(map(folding.waiver, decisions.live(catalogue, "waiver")), "opening"),
            adhesives={one.id.casefold(): one for one in adhesives},  # the last word on each counts
            bonds=folding.bonds(decisions.live(catalogue, "bond"), decisions.live(catalogue, "adhesive")),
            seen=seen,
            candidates=_candidates(store, items, seen),
            rank=rank,
        )


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
    newest = showing.newest_tagged(store.catalogue, targets, CANDIDATES + most)
    found: dict[str, tuple[Candidate, ...]] = {}
    for id, tagged in newest.items():
        told = {one.picture.id for one in seen.get(id, ())}
        left = [Candidate(picture, time) for picture, time in tagged if picture not in told]
        if left:
            found[id] = tuple(left[:CANDIDATES])
    return found
