"""Whether a wire reaches: its cut length against its way, and its tail against what the far side needs.

Where the times leave open which of several figures is the last, the line passes only if it would with each of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from lastlook.closing import item_log
from lastlook.closing.evidence import change_words
from lastlook.closing.records import Change, ChangeKind, Facts, Line, Measure, MeasureKind, State
from lastlook.records import CaptureTime, Run
from lastlook.times import Order, compare, describe

# A new colour changes no length; everything else may.
_KEEPS_LENGTH = (ChangeKind.RECOLOURED,)
# These leave less wire, or another wire, or nobody knows what: the length it was cut to before says nothing about it.
_CUTS_ANEW = (ChangeKind.SHORTENED, ChangeKind.RETERMINATED, ChangeKind.REPLACED, ChangeKind.CHANGED)

LENGTH = "length"
TITLE = "it reaches, its loop included"


@dataclass(frozen=True, slots=True)
class Length:
    """A cut length that was said, with a change or by measuring."""

    mm: float
    time: CaptureTime


def lasts(facts: Facts, id: str, kind: MeasureKind, at: CaptureTime) -> tuple[Measure, ...]:
    """The measures of a kind that may be the newest one by `at`, by instant."""
    return item_log.may_be_last_by([one for one in facts.measures.get(id, ()) if one.kind is kind], at)


def line_for(facts: Facts, run: Run, at: CaptureTime, *, crossed: bool) -> Line:
    """The line for a run's length. `crossed`: this closing shuts a joint line that the run passes, so that its tail
    must be long enough for what is landed afterwards."""

    def told(state: State, reason: str, ask: str) -> Line:
        return Line(run.id, LENGTH, TITLE, state, reason, ask)

    changes = item_log.standing(facts.changes.get(run.id, ()), at)
    said = _cut_lengths(facts, run.id, changes, at)
    cuts = tuple(one.mm for one in item_log.may_be_last_by(said, at)) or _known(run.cut_length_mm)
    route, tail, far = (
        lasts(facts, run.id, kind, at) for kind in (MeasureKind.ROUTE, MeasureKind.TAIL, MeasureKind.FAR_SIDE)
    )
    ask = f"{run.id}: measure its way end to end, or its tail and the way on the far side of the joint"
    if crossed and not (tail and far):
        lacking = "way on the far side" if tail else "tail"
        ask = f"{run.id}: measure how far its tail hangs out, and the way from the joint line to its far terminal"
        return told(State.GAP, f"its {lacking} is not on record", ask)
    used = [tail, far] if tail and far else []
    by_cut = bool(route and cuts)
    if route and not cuts and not used:
        return told(State.GAP, "its way is on record, its cut length is not", _measure_cut(run))
    used += [route] if by_cut else []
    if not used:
        return told(State.GAP, "neither its way nor its tail is on record", ask)
    short, doubt = _short(run, cuts if by_cut else (), route, tail, far)
    if short:
        return told(State.GAP, "; ".join(short), f"{run.id}: lengthen it, or lay it another way")
    if by_cut:
        state, reason = _cut_anew(changes, said, cuts, at, facts.plan.build.zone)
        if state is not State.PASSED:
            return told(state, reason, _measure_cut(run))
    lasting = [change for change in changes if change.kind not in _KEEPS_LENGTH]
    aged = [_age(measures, lasting, at, facts.plan.build.zone) for measures in used]
    for state in (State.STALE, State.UNDETERMINED):
        for found, reason in aged:
            if found is state:
                return told(state, reason, ask)
    if doubt:
        return told(State.UNDETERMINED, f"{doubt}; their times leave open which is the last", ask)
    words = []
    if by_cut:
        words.append(f"cut {_figures(cuts)} for a way of {_figures(one.mm for one in route)}{_loop(run, ' and a')}")
    if tail and far:
        way = _figures(one.mm for one in far)
        words.append(f"tail {_figures(one.mm for one in tail)} for {way}{_loop(run, ' and a')}")
    return told(State.PASSED, "; ".join(words), "")


def _measure_cut(run: Run) -> str:
    return f"{run.id}: measure the length it is cut to, then 'lastlook measure {run.id} --kind cut --mm MM'"


def _known(mm: float | None) -> tuple[float, ...]:
    return () if mm is None else (mm,)


def _loop(run: Run, before: str) -> str:
    return f"{before} loop of {run.loop_mm or 0.0:g} mm"


def _figures(mm: Iterable[float]) -> str:
    return " or ".join(f"{value:g}" for value in sorted(set(mm))) + " mm"


def _cut_lengths(facts: Facts, id: str, changes: Sequence[Change], at: CaptureTime) -> list[Length]:
    """Every cut length that was said by `at`, or may have been: with a change, or by measuring."""
    found = [Length(change.length_mm, change.time) for change in changes if change.length_mm is not None]
    for measure in facts.measures.get(id, ()):
        if measure.kind is MeasureKind.CUT and compare(measure.time, at) is not Order.AFTER:
            found.append(Length(measure.mm, measure.time))
    return found


def _short(
    run: Run,
    cuts: Sequence[float],
    route: Sequence[Measure],
    tail: Sequence[Measure],
    far: Sequence[Measure],
) -> tuple[list[str], str]:
    """(what is short by every figure that may be the last, what would be short by some of them)."""
    loop = run.loop_mm or 0.0
    short: list[str] = []
    doubt: list[str] = []
    if cuts and route:
        ways = [one.mm for one in route]
        lacks = min(ways) + loop - max(cuts)
        if lacks > 0:
            words = f"cut {_figures(cuts)}, its way is {_figures(ways)}{_loop(run, ' and its')}"
            short.append(f"{words}: {lacks:g} mm short")
        elif max(ways) + loop > min(cuts):
            doubt.append(f"cut {_figures(cuts)} for a way of {_figures(ways)}{_loop(run, ' and a')}")
    if tail and far:
        hangs, needs = [one.mm for one in tail], [one.mm for one in far]
        lacks = min(needs) + loop - max(hangs)
        words = f"its tail is {_figures(hangs)}, the far side needs {_figures(needs)}{_loop(run, ' and a')}"
        if lacks > 0:
            short.append(f"{words}: {lacks:g} mm short")
        elif max(needs) + loop > min(hangs):
            doubt.append(words)
    return short, "; ".join(doubt)


def _cut_anew(
    changes: Sequence[Change], said: Sequence[Length], cuts: Sequence[float], at: CaptureTime, zone: str
) -> tuple[State, str]:
    """Whether the cut length is from after the run was last cut anew, and from before the closing."""
    sure = [one for one in said if compare(one.time, at) is Order.BEFORE]
    for change in changes:
        if change.kind not in _CUTS_ANEW or change.length_mm is not None:
            continue
        if any(compare(later.time, change.time) is Order.AFTER for later in sure):
            continue
        since = change_words(change, zone)
        if any(compare(later.time, change.time) is not Order.BEFORE for later in said):
            return State.UNDETERMINED, f"whether its cut length, {_figures(cuts)}, is from after it was {since} is open"
        return State.STALE, f"its cut length, {_figures(cuts)}, is from before it was {since}"
    if said and not sure:
        return State.UNDETERMINED, f"whether its cut length, {_figures(cuts)}, was told before the closing is open"
    return State.PASSED, ""


def _age(measures: Sequence[Measure], changes: Sequence[Change], at: CaptureTime, zone: str) -> tuple[State, str]:
    """How old the newest measure of one kind is: one that may be it must surely be newer than every change, and older
    than the closing. Then the newest, whichever it is, is newer than every change too."""
    best, why = State.STALE, ""
    for measure in measures:
        newer = item_log.against(measure.time, changes)
        words = f"{item_log.measure_words(measure)} was taken {describe(measure.time, zone)}"
        if newer.order is Order.BEFORE and newer.change is not None:
            if best is State.STALE:
                why = f"{words}, before it was {change_words(newer.change, zone)}"
        elif newer.order is not Order.AFTER and newer.change is not None:
            best = State.UNDETERMINED
            why = f"{words}, and whether it was {change_words(newer.change, zone)} before that or after is open"
        elif compare(measure.time, at) is not Order.BEFORE:
            best, why = State.UNDETERMINED, f"{words}, and whether the closing came before that or after is open"
        else:
            return State.PASSED, ""
    return best, why
