"""The last look: for each item that a closing hides, what it looked like just before.

The rule, in this order:
 1. For each way in which the item must be seen (context, each end, each joint line crossed) the newest picture that
    passed the check: newer than the last change, older than the closing, sharp enough. Pictures on which the item is
    marked come before those on which it is not.
 2. Where none passed, the newest picture of that kind all the same, named for what it is: undetermined, stale, or not
    sharp.
 3. Where nobody has said how any picture shows it, the newest pictures that are tagged with it, named as candidates.
Nothing is filled in from elsewhere: an item without any picture has none.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from lastlook.closing import evidence, graph, item_log, requirements
from lastlook.closing.records import Facts, ItemLook, LookPicture, State
from lastlook.records import CaptureTime
from lastlook.times import Order, compare

RULE: Final = (
    "For each way it must be seen, the newest picture that passed the check, marked ones first; where none passed, the "
    "newest all the same, named for what it is; where nobody has said how a picture shows it, the newest tagged ones."
)
CANDIDATE: Final = "candidate"
_ORDER: Final = (State.PASSED, State.UNDETERMINED, State.STALE, State.GAP)


def of_item(facts: Facts, item: graph.Visible, through: Sequence[str], at: CaptureTime) -> ItemLook:
    """The last look at one item, shown by the openings `through`, as of `at`."""
    id = item.id
    changes = item_log.standing(facts.changes.get(id, ()), at)
    asked = requirements.of_item(facts.plan, item, changes)
    found = evidence.verdicts(facts, item, at, through)
    found = [verdict for verdict in found if verdict.why != "taken after the closing"]
    chosen: list[LookPicture] = []
    for role in evidence.roles(item, asked):
        fitting = [verdict for verdict in found if evidence.fits(verdict.seen, role)]
        best = _best(fitting)
        if best is not None:
            chosen.append(LookPicture(best.seen.picture.id, role.title, best.state, best.why))
    if not chosen and found:
        best = _best(found)
        if best is not None:
            chosen.append(LookPicture(best.seen.picture.id, f"{best.seen.view.kind.value} view", best.state, best.why))
    if not chosen:
        chosen = [
            LookPicture(one.picture, CANDIDATE, State.GAP, "tagged with it; nobody has said how it shows it")
            for one in facts.candidates.get(id, ())
            if compare(one.time, at) is Order.BEFORE
        ][:2]
    return ItemLook(id, tuple(chosen))


def of_items(facts: Facts, ids: Sequence[str], at: CaptureTime) -> tuple[ItemLook, ...]:
    items, through = graph.visible_items(facts.plan), graph.sightlines(facts.plan)
    return tuple(of_item(facts, items[id], through[id], at) for id in ids)


def _best(found: Sequence[evidence.Verdict]) -> evidence.Verdict | None:
    """The best of verdicts that come newest first."""
    for state in _ORDER:
        of_state = [verdict for verdict in found if verdict.state is state]
        if of_state:
            marked = [verdict for verdict in of_state if verdict.seen.view.region is not None]
            return (marked or of_state)[0]
    return None
