"""Hold pictures against those that people have tagged, and let likeness speak: a job of its own, since it looks at
pictures. What was compared is remembered, so that the next time only what is new is looked at."""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path

from lastlook import proposing
from lastlook.catalogue import pictures, placed, resemblance
from lastlook.intake import likeness_features
from lastlook.intake.likeness_features import Features
from lastlook.progress import Progress, Report, Stage, silent
from lastlook.store import Store

CLOSE_LOOKS = 12
"""How many tagged pictures each picture is held against feature by feature; those that share most of its words."""
_BATCH = 200


@dataclass(frozen=True, slots=True)
class Compared:
    """`looked_at` pictures that were held against tagged ones, `links` found, `unreadable` ones without features."""

    looked_at: int
    links: int
    unreadable: int


def compare(store: Store, *, executor: Executor, report: Report = silent, anew: bool = False) -> Compared:
    """Find likenesses between pictures and those that people have tagged, and propose what follows.

    New pictures are held against all tagged ones, all pictures against newly tagged ones. `anew`: forget what was
    found. Interrupted, it keeps what was found so far.
    """
    catalogue = store.catalogue
    if anew:
        with catalogue.writing():
            resemblance.forget(catalogue)
    everyone = pictures.by_rids(catalogue, pictures.every_rid(catalogue))
    everyone = [one for one in everyone if one.page]
    tagged_rids = set(placed.tagged(catalogue))
    tagged = [one for one in everyone if one.rid in tagged_rids]
    known = resemblance.compared(catalogue, "tagged")
    seen = resemblance.compared(catalogue, "other")
    fresh = {one.id for one in tagged} - known
    wanted = [one for one in everyone if one.id not in seen or fresh]
    if not tagged or not wanted:
        return Compared(0, 0, 0)
    derived = store.archive.derived
    found: dict[str, Features] = {}
    pages = [one.page for one in tagged]
    for one, features in zip(tagged, executor.map(_features, [str(derived)] * len(pages), pages), strict=True):
        if features is not None:
            found[one.id] = features
    references = [one for one in tagged if one.id in found]
    if not references:
        return Compared(0, 0, len(tagged))
    index = likeness_features.Index([found[one.id].sketch for one in references])
    looked_at = links = unreadable = 0
    for start in range(0, len(wanted), _BATCH):
        report(Progress(Stage.PROPOSE, start, len(wanted)))
        some = wanted[start : start + _BATCH]
        batch = executor.map(_features, [str(derived)] * len(some), [one.page for one in some])
        made: list[tuple[str, str, int]] = []
        for one, features in zip(some, batch, strict=True):
            if features is None:
                unreadable += 1
                continue
            looked_at += 1
            # A picture that was looked at before has only the newly tagged ones to be held against.
            for at in index.nearest(features.sketch, CLOSE_LOOKS + 1):
                other = references[at]
                # A picture that was looked at before has only the newly tagged ones to be held against.
                if other.id == one.id or (one.id in seen and other.id not in fresh):
                    continue
                agreeing = likeness_features.agreeing(features, found[other.id])
                if agreeing:
                    made.append((one.id, other.id, agreeing))
        links += len(made)
        with catalogue.writing():
            resemblance.keep(catalogue, made)
            resemblance.set_compared(catalogue, [one.id for one in some], "other")
            if start + _BATCH >= len(wanted):
                resemblance.set_compared(catalogue, [one.id for one in tagged], "tagged")
            ids = list({id for one, other, _ in made for id in (one, other)})
            proposing.propose(store, list(pictures.rids_of_ids(catalogue, ids).values()))
    with store.deciding():
        pass  # the text index learns what is proposed now
    return Compared(looked_at, links, unreadable)


def _features(derived: str, page: str) -> Features | None:
    return likeness_features.of_file(Path(derived), page)
