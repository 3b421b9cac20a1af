"""Whether a wire reaches: its cut length against its way, and its tail against what the far side needs."""

from __future__ import annotations

from collections.abc import Sequence

from lastlook.closing import item_log
from lastlook.closing.evidence import change_words
from lastlook.closing.records import Change, ChangeKind, Facts, Line, Measure, MeasureKind, State
from lastlook.records import CaptureTime, Run
from lastlook.times import Order, compare, describe

# A new colour changes no length; everything else may.
_KEEPS_LENGTH = (ChangeKind.RECOLOURED,)
# These leave less wire, or another wire: the length it was cut to before says nothing about it.
_CUTS_ANEW = (ChangeKind.SHORTENED, ChangeKind.RETERMINATED, ChangeKind.REPLACED)


def newest(facts: Facts, id: str, kind: MeasureKind, at: CaptureTime) -> Measure | None:
    """The newest measure of a kind that may have been taken by `at`."""
    made = [
        measure
        for measure in facts.measures.get(id, ())
        if measure.kind is kind and compare(measure.time, at) is not Order.AFTER
    ]
    return max(
        made, key=lambda measure: measure.time.instant.timestamp() if measure.time.instant else 0.0, default=None
    )


def line_for(facts: Facts, run: Run, at: CaptureTime, *, crossed: bool) -> Line:
    """The line for a run's length. `crossed`: this closing shuts a joint line that the run passes, so that its tail
    must be long enough for what is landed afterwards."""
    title = "it reaches, its loop included"
    changes = item_log.standing(facts.changes.get(run.id, ()), at)
    cut = item_log.cut_length(run, changes)
    route = newest(facts, run.id, MeasureKind.ROUTE, at)
    tail = newest(facts, run.id, MeasureKind.TAIL, at)
    far = newest(facts, run.id, MeasureKind.FAR_SIDE, at)
    loop = run.loop_mm or 0.0
    ask = f"{run.id}: measure its way end to end, or its tail and the way on the far side of the joint"
    if crossed and (tail is None or far is None):
        lacking = "tail" if tail is None else "way on the far side"
        ask = f"{run.id}: measure how far its tail hangs out, and the way from the joint line to its far terminal"
        return Line(run.id, "length", title, State.GAP, f"its {lacking} is not on record", ask)
    pair = [measure for measure in (tail, far) if measure is not None]
    used = pair if len(pair) == 2 else []
    if route is not None:
        if cut is None:
            if not used:
                return Line(run.id, "length", title, State.GAP, "its way is on record, its cut length is not", ask)
        else:
            used = [*used, route]
    if not used:
        return Line(run.id, "length", title, State.GAP, "neither its way nor its tail is on record", ask)
    short = []
    if route is not None and cut is not None and cut < route.mm + loop:
        short.append(
            f"cut {cut:g} mm, its way is {route.mm:g} mm and its loop {loop:g} mm: {route.mm + loop - cut:g} mm short"
        )
    if tail is not None and far is not None and tail.mm < far.mm + loop:
        short.append(
            f"its tail is {tail.mm:g} mm, the far side needs {far.mm:g} mm and a loop of {loop:g} mm: "
            f"{far.mm + loop - tail.mm:g} mm short"
        )
    if short:
        return Line(
            run.id, "length", title, State.GAP, "; ".join(short), f"{run.id}: lengthen it, or lay it another way"
        )
    cut_anew = _cut_anew(changes) if route is not None and cut is not None else None
    if cut_anew is not None:
        since = change_words(cut_anew, facts.plan.build.zone)
        reason = f"its cut length, {cut:g} mm, is from before it was {since}"
        again = f"{run.id}: record its cut length since then: 'lastlook change {run.id} --kind changed --length MM'"
        again += ", then measure its way again"
        return Line(run.id, "length", title, State.STALE, reason, again)
    state, doubt = _age(used, [change for change in changes if change.kind not in _KEEPS_LENGTH], facts)
    if state is not State.PASSED:
        return Line(run.id, "length", title, state, doubt, ask)
    if any(compare(measure.time, at) is not Order.BEFORE for measure in used):
        reason = "a measure's time leaves open whether it was taken before the closing"
        return Line(run.id, "length", title, State.UNDETERMINED, reason, ask)
    words = []
    if route is not None and cut is not None:
        words.append(f"cut {cut:g} mm for a way of {route.mm:g} mm and a loop of {loop:g} mm")
    if tail is not None and far is not None:
        words.append(f"tail {tail.mm:g} mm for {far.mm:g} mm and a loop of {loop:g} mm")
    return Line(run.id, "length", title, State.PASSED, "; ".join(words))


def _cut_anew(changes: Sequence[Change]) -> Change | None:
    """The change that cut a run anew and no cut length was recorded with it or surely after it."""
    told = [change for change in changes if change.length_mm is not None]
    for change in changes:
        if change.kind not in _CUTS_ANEW or change.length_mm is not None:
            continue
        if not any(compare(later.time, change.time) is Order.AFTER for later in told):
            return change
    return None


def _age(used: Sequence[Measure], changes: Sequence[Change], facts: Facts) -> tuple[State, str]:
    zone = facts.plan.build.zone
    state, why = State.PASSED, ""
    for measure in used:
        newer = item_log.against(measure.time, changes)
        if newer.order is Order.BEFORE and newer.change is not None:
            words = f"{item_log.measure_words(measure)} was taken {describe(measure.time, zone)}, before it was"
            return State.STALE, f"{words} {change_words(newer.change, zone)}"
        if newer.order is not Order.AFTER and newer.change is not None:
            state = State.UNDETERMINED
            why = f"the time of its {measure.kind.value} leaves open whether it was before or after it was "
            why += change_words(newer.change, zone)
    return state, why
