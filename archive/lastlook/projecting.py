"""What follows from a decision: the rows of the catalogue that are folded from decisions.

Every fold is a pure function of the live decisions and the media, so an undo, a replay and a rebuild all end in the
same rows.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from lastlook import clock_fit, grouping, placing, proposing, retime
from lastlook.catalogue import closings, decisions, pictures
from lastlook.records import Decision, still_id
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
        refold(store, body["pictures"])
    elif decision.kind in {"close", "reopen"}:
        closings.refold(catalogue, str(body["opening"]))
    elif decision.kind == "still" and decisions.is_undone(catalogue, decision.uid):
        clip = str(body["clip"])
        pictures.drop(catalogue, still_id(clip, int(body["clip_ms"])))
        # Its neighbours get back the words that were spoken over it.
        proposing.propose(store, proposing.say_words(store, clip))
        grouping.regroup(catalogue)
    elif decision.kind in placing.SESSION_KINDS:
        proposing.propose(store, placing.by_session(store, decision))
    elif decision.kind in {"clock", "camera", "reference"}:
        before = placing.by_time(store)
        also = [str(body[key]) for key in ("camera", "into") if key in body and "name" not in body]
        if clock_fit.refit(catalogue, store.zone, also):
            grouping.regroup(catalogue)
            proposing.propose(store, sorted({*before, *placing.by_time(store)}))
    elif decision.kind == "plan":
        catalogue.count_up("plan")
        pictures.mark_all_unindexed(catalogue)
        # The zone may be another: references are read in it, and then every time.
        if clock_fit.refit(catalogue, store.zone) + retime.retime(catalogue, store.zone):
            grouping.regroup(catalogue)
        proposing.propose(store)


def refold(store: Store, ids: Iterable[str]) -> None:
    """Fold the decisions about some pictures again."""
    proposing.about(store, list(ids))
