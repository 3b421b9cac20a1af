"""Electrical sanity from the wire schedule: drop over a run, bend radius, colour against polarity.

Information only: nothing here passes or fails a closing, and none of it is a certificate of electrical safety.
Resistance by ASTM B258 and IEC 60028 (`plan.gauges`); bend radius as the plan sets it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from lastlook.closing import item_log
from lastlook.closing.lengths import lasts
from lastlook.closing.records import Facts, MeasureKind, Note
from lastlook.closing.requirements import Asked
from lastlook.plan import colours, gauges
from lastlook.records import CaptureTime, Plan, Run

DROP_SHARE: Final = 0.05
"""Drop as a share of the nominal voltage from which it is flagged (common practice, no source)."""

# Conventions differ between trades and lands, so they are told, never judged. From memory: IEC 60445 recommends red for
# positive and white for negative; small craft use black or yellow for negative; hobby and cars red and black.
_POSITIVE: Final = ("RD",)
_NEGATIVE: Final = ("BK", "WH", "YE")


def partner(plan: Plan, run: Run) -> Run | None:
    """The run that carries the same current back: other polarity, same current, ends that differ in their sign only."""

    def bare(end: str) -> str:
        return end.strip().rstrip("+-−").casefold()

    fits = [
        other
        for other in plan.runs
        if other.id != run.id
        and other.polarity != run.polarity
        and other.milliamps == run.milliamps
        and run.target
        and bare(other.target) == bare(run.target)
    ]
    return fits[0] if len(fits) == 1 else None


def notes_for(facts: Facts, run: Run, asked: Asked, at: CaptureTime, *, drop: bool = True) -> Iterator[Note]:
    """What is worth knowing of one run before it is shut in. `drop` False: its partner has said it for both."""
    changes = item_log.standing(facts.changes.get(run.id, ()), at)
    cut = item_log.cut_length(run, changes)
    known = run.gauge_awg is not None and gauges.known(run.gauge_awg)
    if drop and known and run.gauge_awg is not None and cut is not None and run.milliamps is not None:
        yield _drop(facts, run, run.gauge_awg, cut, run.milliamps, at)
    bend = min(lasts(facts, run.id, MeasureKind.BEND, at), key=lambda one: one.mm, default=None)
    if bend is not None and run.outer_mm is not None:
        least = asked.bend_factor * run.outer_mm
        tight = bend.mm < least
        words = f"{run.id}: tightest bend {bend.mm:g} mm inside, {asked.bend_factor:g} outer diameters are {least:g} mm"
        yield Note(run.id, f"{words}{'; too tight' if tight else ''}", tight)
    elif bend is not None:
        yield Note(run.id, f"{run.id}: tightest bend {bend.mm:g} mm; the plan has no outer_mm to judge it by", True)
    yield from _colour(run, item_log.colour(run, changes))


def _drop(facts: Facts, run: Run, awg: int, cut: float, milliamps: float, at: CaptureTime) -> Note:
    lengths = [(awg, cut)]
    back = partner(facts.plan, run)
    with_ = ""
    if back is not None and back.gauge_awg is not None and gauges.known(back.gauge_awg):
        other = item_log.cut_length(back, item_log.standing(facts.changes.get(back.id, ()), at))
        if other is not None:
            lengths.append((back.gauge_awg, other))
            with_ = f" and back over {back.id}"
    drop = gauges.drop(lengths, milliamps)
    flagged = run.volts is not None and run.volts != 0 and drop.volts > DROP_SHARE * abs(run.volts)
    share = f", more than {DROP_SHARE * 100:g} % of {run.volts:g} V" if flagged and run.volts is not None else ""
    words = f"{run.id}{with_}: {drop.ohms:.3f} Ω, {drop.volts * 1000:.1f} mV at {milliamps:g} mA{share}"
    return Note(run.id, words, flagged)


def _colour(run: Run, code: str) -> Iterator[Note]:
    sign = run.polarity.strip()
    name = colours.spoken(code, run.tracer) if code else ""
    if code != run.colour and code:
        yield Note(
            run.id, f"{run.id}: the plan says {run.colour or 'no colour'}, on the bench it is {code} {name}", True
        )
    if sign in ("+", "positive") and code in _NEGATIVE:
        yield Note(run.id, f"{run.id} is positive and {name}, a colour that others use for negative")
    elif sign in ("-", "−", "negative", "common") and code in _POSITIVE:
        yield Note(run.id, f"{run.id} is {sign} and {name}, a colour that others use for positive")
