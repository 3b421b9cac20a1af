"""What follows from a decision: the rows of the catalogue that are folded from decisions.

Every fold is a pure function of the live decisions and the media, so an undo, a replay and a rebuild all end in the
same rows.
"""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import partial
from typing import Any

from lastlook import clock_fit, grouping, placing, proposing, retime
from lastlook.catalogue import closings, codes, decisions, pictures, placed
from lastlook.clocks import card
from lastlook.errors import PlanError
from lastlook.plan.parse import parse_plan
from lastlook.progress import Progress, Stage
from lastlook.records import Decision, still_id
from lastlook.replanning import EVERYTHING, Concerned, concerned
from lastlook.store import Store


def project(store: Store, decision: Decision) -> None:
    """Bring the folded rows in line after `decision`, or after it was taken back. Inside a transaction."""
    catalogue = store.catalogue
    body: Mapping[str, Any] = decision.body
    if decision.kind == "undo":
        target = decisions.by_uid(catalogue, decision.undoes)
        if target is not None:
            project(store, target)
    elif decision.kind in {"tag", "view"}:
        refold(store, [*body["pictures"], *placed.in_stretch(catalogue, body)])
    elif decision.kind in {"close", "reopen"}:
        closings.refold(catalogue, str(body["opening"]))
    elif decision.kind == "still" and decisions.is_undone(catalogue, decision.uid):
        clip = str(body["clip"])
        id = still_id(clip, int(body["clip_ms"]))
        take_out(store, list(pictures.rids_of_ids(catalogue, [id]).values()))
        # Its neighbours get back the words that were spoken over it.
        proposing.propose(store, proposing.say_words(store, clip))
        grouping.regroup(catalogue)
    elif decision.kind == "heard":
        proposing.propose(store, [rid for _, rid in pictures.still_moments(catalogue, str(body["clip"]))])
    elif decision.kind in placing.SESSION_KINDS:
        proposing.propose(store, placing.by_session(store, decision))
    elif decision.kind in {"clock", "camera", "reference"}:
        also = [str(body[key]) for key in ("camera", "into") if key in body and "name" not in body]
        refit(store, also)
    elif decision.kind == "plan":
        catalogue.count_up("plan")
        _replan(store, decision)


def refit(store: Store, also: Iterable[str] = ()) -> None:
    """Fit all clocks again, resolve the times of the cameras whose fit is another now and of `also`, and let what hangs
    on times follow. Inside a transaction."""
    store.report(Progress(Stage.TIMES, 0))
    follow_times(store, partial(clock_fit.refit, store.catalogue, store.zone, also))


def follow_times(store: Store, change: Callable[[], int]) -> None:
    """Let `change` change times (it returns how many it did), and what hangs on them follow. Inside a transaction."""
    with _uncollected():
        said: placing.Said = {}  # reading it is dear, and times do not change it
        _, before = placing.around_by_time(store, said)
        if change():
            grouping.regroup(store.catalogue)
            surroundings, now = placing.around_by_time(store, said, before)
            proposing.propose(store, placing.differing(before, now), store.report, surroundings)


@contextmanager
def _uncollected() -> Iterator[None]:
    """Without looking for cycles among the records, of which there are hundreds of thousands and no cycles: a fifth of
    the time."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


def take_out(store: Store, rids: Sequence[int]) -> None:
    """Take some pictures out, and what they said of others: as tagged ones, by a bench card, by the clock card. Inside
    a transaction."""
    catalogue = store.catalogue
    around = placing.reached(store, rids)
    shown = codes.of_pictures(catalogue, rids)
    pictures.drop(catalogue, rids)
    proposing.propose(store, around)
    if any(code.text.startswith(card.PREFIX) for each in shown.values() for code in each):
        refit(store)


def _replan(store: Store, decision: Decision) -> None:
    """What follows from a plan, or from its being taken back: for the pictures that it concerns. In a large archive
    that is the difference between a moment and minutes."""
    catalogue = store.catalogue
    found = _concerned(store, decision)
    if found.reworded is None:
        pictures.mark_all_unindexed(catalogue)
    else:
        pictures.mark_unindexed(catalogue, found.reworded)
    if found.times and clock_fit.refit(catalogue, store.zone) + retime.retime(catalogue, store.zone):
        grouping.regroup(catalogue)  # references are read in the zone, and then every time
    proposing.propose(store, found.proposed, report=store.report)


def _concerned(store: Store, decision: Decision) -> Concerned:
    standing = [
        one
        for one, undone in decisions.latest(store.catalogue, ("plan",), 100)
        if not undone and one.uid != decision.uid
    ]
    if not standing:
        return EVERYTHING
    if standing[0].seq > decision.seq:
        return Concerned((), (), False)  # another was in force all the while
    try:
        one, other = (parse_plan(str(each.body["text"]), "a plan") for each in (standing[0], decision))
    except PlanError:
        return EVERYTHING
    return concerned(store, one, other)


def refold(store: Store, ids: Iterable[str]) -> None:
    """Fold the decisions about some pictures again."""
    proposing.about(store, list(ids))
