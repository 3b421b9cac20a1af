"""Cure of a bond and its no-load hold.

The estimate: every 10 °C (18 °F) halves or doubles the time, t(T) = t_ref · 2^((T_ref − T)/10). Common practice, no
source; for planning only. The later of data sheet and estimate wins: a warm bench never shortens what the sheet says.
Below the sheet's minimum temperature the cure has stopped or is unknown, and so is the end of the hold. Handling
strength is not full cure: the hold lasts until full cure. Of several temperatures read while it cured, the coldest
counts.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from lastlook.closing.records import Adhesive, Bond, Facts, Hold, Line, State, Test
from lastlook.closing.testing import CURE
from lastlook.records import CaptureTime
from lastlook.times import Order, compare, describe

LONGEST_H: Final = 87_660.0
"""Ten years. A cure reckoned to take longer is nothing to wait for: the joint is too cold, or a figure is wrong."""

CURE_LINE: Final = "cure"
"""What the key of a bond's line begins with."""


@dataclass(frozen=True, slots=True)
class Cure:
    """Hours from joining until a strength is reached: by the data sheet, by the estimate, and the larger, which counts.
    `hours` is None where it is unknown; `why` says so in words."""

    sheet: float | None
    estimate: float | None
    hours: float | None
    why: str


def estimate_hours(hours: float, reference_c: float, temperature_c: float) -> float:
    """The rule of 10 °C (common practice, no source): 24 h at 25 °C are 48 h at 15 °C and 12 h at 35 °C."""
    return float(hours * 2 ** ((reference_c - temperature_c) / 10))


def cure(hours: float | None, adhesive: Adhesive | None, temperature_c: float | None) -> Cure:
    """How long a strength takes at a temperature. `hours` is the data sheet's figure for it."""
    if adhesive is None:
        return Cure(None, None, None, "the adhesive is not in the list: 'lastlook adhesive add'")
    if hours is None:
        return Cure(None, None, None, "the data sheet's time was not copied")
    if temperature_c is None:
        words = "the temperature of the joint is not on record: 'lastlook test ITEM --kind cure-temperature --value C'"
        return Cure(hours, None, None, words)
    if adhesive.minimum_c is not None and temperature_c < adhesive.minimum_c:
        words = f"{temperature_c:g} °C is below the data sheet's minimum of {adhesive.minimum_c:g} °C"
        return Cure(hours, None, None, f"unknown: {words}, the cure may have stopped")
    guess = estimate_hours(hours, adhesive.reference_c, temperature_c)
    larger = max(hours, guess)
    if larger > LONGEST_H:
        words = f"unknown: by sheet and estimate for {temperature_c:g} °C it takes more than ten years"
        return Cure(hours, guess, None, f"{words}; check the data sheet's figures")
    by = "data sheet" if larger == hours else f"estimate for {temperature_c:g} °C"
    return Cure(hours, guess, larger, f"{larger:.3g} h by the {by} (sheet {hours:g} h at {adhesive.reference_c:g} °C)")


def full_cure(bond: Bond, adhesives: Mapping[str, Adhesive], readings: Sequence[Test] = ()) -> Cure:
    return _strength(bond, adhesives, lambda sheet: sheet.full_cure_h, readings)


def fixture(bond: Bond, adhesives: Mapping[str, Adhesive], readings: Sequence[Test] = ()) -> Cure:
    return _strength(bond, adhesives, lambda sheet: sheet.fixture_h, readings)


def handling(bond: Bond, adhesives: Mapping[str, Adhesive], readings: Sequence[Test] = ()) -> Cure:
    return _strength(bond, adhesives, lambda sheet: sheet.handling_h, readings)


def _strength(
    bond: Bond, adhesives: Mapping[str, Adhesive], hours: Callable[[Adhesive], float | None], readings: Sequence[Test]
) -> Cure:
    """By the coldest temperature that was read of the joint while it cured. A night that was colder than the joining
    makes the cure longer, and one below the sheet's minimum makes it unknown; a reading from surely before it was
    joined, or surely after it was over by all the readings before, tells nothing of it."""
    coldest = bond.temperature_c
    found = _at(bond, adhesives, hours, coldest)
    for reading in sorted(readings, key=lambda one: _earliest(one.time)):
        if reading.value is None or compare(reading.time, bond.joined) is Order.BEFORE:
            continue
        over = end_of(bond.joined, found.hours) if found.hours is not None else None
        if over is not None and compare(reading.time, over) is Order.AFTER:
            continue
        coldest = reading.value if coldest is None else min(coldest, reading.value)
        found = _at(bond, adhesives, hours, coldest)
    return found


def _at(
    bond: Bond, adhesives: Mapping[str, Adhesive], hours: Callable[[Adhesive], float | None], celsius: float | None
) -> Cure:
    """By the sheet that was on record when the bond was made and by the one that is now: the later wins, and what
    either leaves unknown is unknown. So no correction of a sheet shortens a hold; a time that was missing may come."""
    now = _of(adhesives, bond.adhesive)
    sheets = [sheet for sheet in (bond.kept, now) if sheet is not None]
    told = [sheet for sheet in sheets if hours(sheet) is not None]
    if not told:
        return cure(None, now, celsius)
    found = [cure(hours(sheet), sheet, celsius) for sheet in told]
    return max(found, key=lambda one: float("inf") if one.hours is None else one.hours)


def _earliest(time: CaptureTime) -> float:
    return time.earliest.timestamp() if time.earliest is not None else float("-inf")


def readings_of(facts: Facts, bond: Bond) -> tuple[Test, ...]:
    """The later temperatures of a joint: the tests of that kind on what was bonded."""
    return tuple(test for test in facts.tests.get(bond.target, ()) if test.kind == CURE)


def hold(bond: Bond, adhesives: Mapping[str, Adhesive], at: CaptureTime, readings: Sequence[Test] = ()) -> Hold:
    """How the no-load hold of a bond stands at `at`. It is over only when it surely is."""
    took = full_cure(bond, adhesives, readings)
    if took.hours is None or bond.joined.earliest is None or bond.joined.latest is None:
        return Hold(bond, None, None, False, took.why)
    until = end_of(bond.joined, took.hours)
    if not until.known:
        return Hold(bond, None, None, False, until.why)
    over = compare(until, at) is Order.BEFORE
    hours = None
    if not over and until.latest is not None and at.earliest is not None:
        hours = max(0.0, (until.latest - at.earliest) / timedelta(hours=1))
    return Hold(bond, until, hours, over, took.why)


def end_of(joined: CaptureTime, hours: float) -> CaptureTime:
    """When a span that began at `joined` is over, as an interval."""
    if joined.instant is None or joined.earliest is None or joined.latest is None:
        return CaptureTime(None, None, None, "unknown", "The time of joining is not known.")
    try:
        span = timedelta(hours=hours)
        ends = (joined.instant + span, joined.earliest + span, joined.latest + span)
    except OverflowError:
        return CaptureTime(None, None, None, "unknown", "The end lies beyond the calendar.")
    return CaptureTime(*ends, "said", "Joining and time of cure.")


def holds(facts: Facts, at: CaptureTime) -> tuple[Hold, ...]:
    """Every bond of the build that was made by `at` or may have been, those still in their hold first."""
    made = [bond for bond in facts.bonds if compare(bond.joined, at) is not Order.AFTER]
    found = [hold(bond, facts.adhesives, at, readings_of(facts, bond)) for bond in made]
    return tuple(sorted(found, key=lambda each: each.over))


def line_for(facts: Facts, each: Hold, at: CaptureTime) -> Line:
    """The line of a check for one bond: a closing loads and moves the model, so every hold of the build counts."""
    zone = facts.plan.build.zone
    bond = each.bond
    title = f"no load until {bond.adhesive or 'the bond'} of {bond.target} has cured"
    what = _what(bond)
    if each.until is None:
        ask = f"{bond.target}: find out from the data sheet or the cup sample, then record it or waive it by name"
        return Line(bond.target, what, title, State.UNDETERMINED, each.reason, ask)
    until = describe(each.until, zone)
    if each.over:
        return Line(bond.target, what, title, State.PASSED, f"over since {until}; {each.reason}")
    if each.until.latest is not None and at.latest is not None and compare(each.until, at) is Order.UNDETERMINED:
        reason = f"its end, {until}, and the time asked about overlap; {each.reason}"
        return Line(bond.target, what, title, State.UNDETERMINED, reason, f"{bond.target}: wait until {until}")
    left = f"{left_words(each.hours)} left, " if each.hours is not None else ""
    return Line(bond.target, what, title, State.GAP, f"{left}until {until}; {each.reason}", f"{bond.target}: wait")


def _what(bond: Bond) -> str:
    return f"{CURE_LINE}:{bond.uid[:8]}"


def colder(facts: Facts, line: Line, known: CaptureTime) -> list[Test]:
    """Readings of the bond of a line that are colder than all that was surely on record of it at `known`."""
    found: list[Test] = []
    for bond in facts.bonds:
        if bond.target != line.subject or _what(bond) != line.what:
            continue
        readings = [one for one in readings_of(facts, bond) if one.value is not None]
        before = [one.value for one in readings if compare(one.time, known) is Order.BEFORE]
        coldest = min((one for one in (bond.temperature_c, *before) if one is not None), default=float("inf"))
        found += [one for one in readings if one.value is not None and one.value < coldest]
    return found


def left_words(hours: float | None) -> str:
    """ "5 h 12 min", "2 days 3 h"."""
    if hours is None:
        return "unknown"
    minutes = max(0, int(-(-hours * 60 // 1)))
    days, rest = divmod(minutes, 1440)
    whole, small = divmod(rest, 60)
    if days:
        return f"{days} day{'' if days == 1 else 's'} {whole} h"
    return f"{whole} h {small:02d} min" if whole else f"{small} min"


def clamp_faults(
    bond: Bond, adhesives: Mapping[str, Adhesive], zone: str, readings: Sequence[Test] = ()
) -> tuple[str, ...]:
    """What speaks against a bond record: clamps that stayed on or came off before fixture time or before they went on;
    joined after the pot life, or before it was mixed."""
    found: list[str] = []
    if bond.clamp_on is not None and bond.clamp_off is None:
        found.append(f"the clamps went on {describe(bond.clamp_on, zone)}, and are not off on record")
    if bond.clamp_on and bond.clamp_off and compare(bond.clamp_off, bond.clamp_on) is Order.BEFORE:
        found.append("the clamps came off before they went on: one of the two times is wrong")
    if bond.mixed is not None and compare(bond.joined, bond.mixed) is Order.BEFORE:
        found.append("it was joined before the adhesive was mixed: one of the two times is wrong")
    took = fixture(bond, adhesives, readings)
    if bond.clamp_off is not None and took.hours is not None:
        free = end_of(bond.clamp_on or bond.joined, took.hours)
        if compare(bond.clamp_off, free) is Order.BEFORE:
            found.append(
                f"the clamp came off {describe(bond.clamp_off, zone)}, before fixture at {describe(free, zone)}"
            )
    adhesive = bond.kept or _of(adhesives, bond.adhesive)
    if adhesive and adhesive.pot_life_min is not None and bond.mixed is not None:
        spoilt = end_of(bond.mixed, adhesive.pot_life_min / 60)
        if compare(bond.joined, spoilt) is Order.AFTER:
            found.append(f"joined later than the pot life of {adhesive.pot_life_min:g} min after mixing")
    return tuple(found)


def _of(adhesives: Mapping[str, Adhesive], id: str) -> Adhesive | None:
    return adhesives.get(id.casefold())


def used(bonds: Sequence[Bond], adhesives: Mapping[str, Adhesive]) -> tuple[str, ...]:
    """The kinds of the adhesives of some bonds, each once."""
    kinds = [(_of(adhesives, bond.adhesive) or Adhesive(bond.adhesive)).kind or bond.adhesive for bond in bonds]
    return tuple(dict.fromkeys(kinds))
