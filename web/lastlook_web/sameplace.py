"""Pictures of the same place, earlier and later: those compared point by point where there are any, else those that
are tagged alike, said to be no more than that."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from flask import current_app

from lastlook import same_views
from lastlook.catalogue import pictures, resemblance
from lastlook.catalogue.columns import UNKNOWN
from lastlook.plan import structure
from lastlook.progress import Progress
from lastlook.records import Dimension, Picture
from lastlook.store import Store
from lastlook_web.app import store
from lastlook_web.asides import Asides
from lastlook_web.config import ViewerConfig
from lastlook_web.words import sentence

_MOST = 16
_MOST_TAGGED = 5  # to each side in time, of those that are only tagged alike


@dataclass(frozen=True, slots=True)
class Entry:
    """One picture of the strip. `agree`: places that agree, 0 where nothing was compared. `pair`: the earlier and the
    later id of it and the picture the strip is of; None where their order is not known."""

    picture: Picture
    agree: int = 0
    pair: tuple[str, str] | None = None


@dataclass(frozen=True, slots=True)
class Strip:
    """`kind` "view" (verified as the same view), "alike" (many features agree, no more is known), "step" or
    "subassembly" (`of`, `title`), '' for none; `seen` in order of time."""

    kind: str
    of: str
    title: str
    seen: tuple[Entry, ...]
    more: int = 0


@dataclass(frozen=True, slots=True)
class Verified:
    """Rows of pictures of the same view with how many places agree, among all that there were at `version`."""

    version: int
    agree: dict[int, int]


def strip(picture: Picture) -> Strip:
    """The strip of a picture from what is known by now; nothing is compared for it."""
    found = _asides().known(picture.id)
    same = found.value.agree if found is not None and found.value is not None else {}
    alike = dict(resemblance.of(store().catalogue, [picture.rid]).get(picture.rid, []))
    for kind, agree in (("view", same), ("alike", alike)):
        if agree:
            best = sorted(agree.items(), key=lambda each: -each[1])[:_MOST]
            others = pictures.by_rids(store().catalogue, [rid for rid, _ in best])
            return Strip(kind, "", "", _ordered(picture, others, dict(best)), len(agree) - len(best))
    titles = {name: item.title for name, item in structure.items(store().plan).items()}
    for dimension, word in ((Dimension.STEP, "step"), (Dimension.SUBASSEMBLY, "subassembly")):
        for target in picture.counted(dimension):
            near = _nearest(picture, dimension, target)
            if near:
                others = pictures.by_rids(store().catalogue, near)
                return Strip(word, target, titles.get(target, ""), _ordered(picture, others, {}))
    return Strip("", "", "", ())


def look(picture: Picture) -> tuple[bool, str]:
    """Compare the picture with the likeliest others, beside the pages. Returns whether that is done, and a word."""
    config: ViewerConfig = current_app.extensions["lastlook-config"]
    caches = current_app.extensions["lastlook-caches"]
    far: dict[str, int] = current_app.extensions.setdefault("lastlook-asides-views-far", {})

    version = store().columns.version

    def work() -> Verified:
        def heard(progress: Progress) -> None:
            far[picture.id] = progress.done

        try:
            with Store(config.archive, by=config.by, caches=caches) as own:
                answer = same_views.same_view(own, picture.id, report=heard)
        finally:
            far.pop(picture.id, None)
        return Verified(version, {each.picture.rid: each.view.agree for each in answer.same})

    before = _asides().known(picture.id)
    if before is not None and before.value is not None and before.value.version != version:
        _asides().forget(picture.id)  # pictures have come since: asked again
    done = _asides().ask(picture.id, work)
    if done is None:
        count = far.get(picture.id, 0)
        return False, f"Looking: {count} compared." if count else "Looking …"
    if done.error is not None:
        _asides().forget(picture.id)  # told once; the next time it is tried again
        return True, f"{sentence(done.error.message)} {done.error.hint}"
    count = len(done.value.agree) if done.value is not None else 0
    return True, f"{count} found." if count else "None of the likeliest pictures shows the same view."


def _nearest(picture: Picture, dimension: Dimension, target: str) -> list[int]:
    """Rows of the pictures tagged alike that are nearest in time to each side, of known time."""
    columns = store().columns
    at = np.flatnonzero(store().tagged(columns, dimension, (target,)) & (columns.taken != UNKNOWN))
    at = at[columns.rid[at] != picture.rid]
    own = pictures.to_ms(picture.time.instant)
    if own is None:
        return []
    at = at[np.argsort(columns.taken[at], kind="stable")]
    middle = int(np.searchsorted(columns.taken[at], own))
    return [int(rid) for rid in columns.rid[at[max(0, middle - _MOST_TAGGED) : middle + _MOST_TAGGED]]]


def _ordered(picture: Picture, others: Sequence[Picture], agree: dict[int, int]) -> tuple[Entry, ...]:
    def when(each: Picture) -> float:
        return each.time.instant.timestamp() if each.time.instant is not None else float("inf")

    own = when(picture)
    entries = [
        Entry(
            each,
            agree.get(each.rid, 0),
            None
            if each.rid == picture.rid or not each.page
            else ((each.id, picture.id) if when(each) < own else (picture.id, each.id)),
        )
        for each in (*others, picture)
    ]
    return tuple(sorted(entries, key=lambda entry: (when(entry.picture), entry.picture.rid)))


def _asides() -> Asides[Verified]:
    found: Any = current_app.extensions.setdefault("lastlook-asides-views", Asides(most_waiting=8, most_kept=64))
    return found  # type: ignore[no-any-return]
