"""What a person records before and after a closing: views, changes, measures, tests; done, released, waived.

Each is one decision with time and author; taking it back is another. The program records and never releases: a release
over lines that are open is refused, each of them is waived by name first.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime

from lastlook import times
from lastlook.acts import Act, celsius, done_by, needs_person, not_negative, record, words_of
from lastlook.catalogue import decisions, pictures
from lastlook.closing import folding, graph, units
from lastlook.closing.check import RETEST, open_lines_of
from lastlook.closing.records import ChangeKind, Line, MeasureKind, State, ViewKind
from lastlook.closing.testing import CURE, kind_of
from lastlook.closing_check import check, check_at, just_after, moment
from lastlook.closing_facts import gather, share_in_region
from lastlook.deciding import Target
from lastlook.errors import UsageError
from lastlook.plan import colours, structure
from lastlook.plan.ids import is_id
from lastlook.plan.vocabulary import lookup_id
from lastlook.records import Decision, Dimension, Opening, Picture, Step
from lastlook.store import Store
from lastlook.times import Order, compare


def view(
    store: Store,
    picture_ids: Sequence[str],
    targets: Sequence[Target],
    kind: ViewKind,
    *,
    ends: Sequence[str] = (),
    crossings: Sequence[str] = (),
    sharp: bool | None = None,
    region: tuple[int, int, int, int] | None = None,
    person: str = "",
) -> tuple[Decision, list[Picture]]:
    """Say how pictures show items; it says too that they show them. Raises NoSuchId, UsageError."""
    found = [pictures.find(store.catalogue, typed) for typed in picture_ids]
    if not found or not targets:
        raise UsageError("a view needs pictures and what they show", "Give picture ids and --run, --part or --in.")
    if any(target.dimension is Dimension.STEP for target in targets):
        raise UsageError("a step cannot be viewed", "Give --run, --part or --in.")
    items = [[target.dimension.value, lookup_id(store.plan, target.dimension, target.typed)] for target in targets]
    shows = _shows(store, [id for _, id in items], ends, crossings, kind)
    if region is not None and len(found) > 1:
        raise UsageError("a region belongs to one picture", "Give one picture with --region.")
    if region is None and len(found) == len(items) == 1:
        # What is drawn on the picture says where the item is: it is judged there.
        region = folding.marked_region(decisions.live(store.catalogue, "mark", found[0].id), found[0], items[0][1])
    body: dict[str, object] = {
        "pictures": [picture.id for picture in found],
        "items": items,
        "view": kind.value,
        "shows": shows,
        "sharp": sharp,
        "region": list(region) if region is not None else None,
        "shares": _shares(store, found[0], region) if region is not None else {},
        "person": person.strip() or store.by,
    }
    decision = record(store, "view", body)
    return decision, pictures.by_rids(store.catalogue, [picture.rid for picture in found])


def _shows(
    store: Store, ids: Sequence[str], ends: Sequence[str], crossings: Sequence[str], kind: ViewKind
) -> list[str]:
    runs = {run.id: run for run in store.plan.runs}
    if (ends or crossings) and not all(id in runs for id in ids):
        raise UsageError("only runs have ends and crossings", "Give --end and --crossing with --run alone.")
    if (ends or crossings) and kind is not ViewKind.CLOSE:
        raise UsageError("an end or a crossing is proved by a close view", "Give --close, or leave --end out.")
    shows = list(dict.fromkeys(end.strip().lower() for end in ends))
    if any(end not in ("from", "to") for end in shows):
        raise UsageError("an end of a run is “from” or “to”, as in the plan", "Give --end from or --end to.")
    for typed in crossings:
        opening = lookup_id(store.plan, "opening", typed)
        strange = [id for id in ids if opening not in runs[id].crosses]
        if strange:
            raise UsageError(
                f"by the plan {strange[0]} does not cross the joint line of {opening}",
                f'Add crosses = ["{opening}"] to the run in the plan, if it does.',
            )
        shows.append(f"crossing:{opening}")
    return shows


def _shares(store: Store, picture: Picture, region: tuple[int, int, int, int]) -> dict[str, float]:
    """Sharpness in the region as a share of the sharpest of the picture's near-duplicates there."""
    x, y, width, height = region
    if width < 1 or height < 1 or x < 0 or y < 0 or x + width > picture.width or y + height > picture.height:
        raise UsageError(
            f"the region does not lie in the picture of {picture.width} × {picture.height} pixels",
            "Give x,y,width,height in pixels of the upright picture.",
        )
    share = share_in_region(store, picture, region)
    return {} if share is None else {picture.id: share}


def change(
    store: Store,
    item: str,
    kind: str,
    act: Act,
    *,
    why: str = "",
    length_mm: float | None = None,
    colour: str = "",
    now: datetime | None = None,
) -> Decision:
    """Record that an item was installed or changed: earlier pictures, tests and lengths are stale then."""
    id = _visible(store, item)
    try:
        known = ChangeKind(kind.strip().lower())
    except ValueError:
        raise UsageError(
            f"there is no kind of change {kind!r}", f"Give one of {', '.join(each.value for each in ChangeKind)}."
        ) from None
    code = colour.strip().upper()
    if code and not colours.is_code(code):
        raise UsageError(f"{colour!r} is no colour code of IEC 60757", f"Give one of {', '.join(colours.BY_CODE)}.")
    run = next((one for one in store.plan.runs if one.id == id), None)
    if (length_mm is not None or code) and run is None:
        raise UsageError("only a run has a cut length and a colour", "Leave --length and --colour out.")
    body = {
        "item": id,
        "change": known.value,
        "why": words_of(why),
        "length_mm": not_negative(length_mm, "the cut length"),
        "colour": code,
    }
    return done_by(store, "change", body, act, now)


def measure(
    store: Store, run: str, kind: str, mm: float, act: Act, *, instrument: str = "", now: datetime | None = None
) -> Decision:
    """Record a length of a run: its route, its tail, its way on the far side, its tightest bend."""
    id = lookup_id(store.plan, Dimension.RUN, run)
    try:
        known = MeasureKind(kind.strip().lower())
    except ValueError:
        raise UsageError(
            f"there is no measure {kind!r}", f"Give one of {', '.join(each.value for each in MeasureKind)}."
        ) from None
    body = {
        "item": id,
        "measure": known.value,
        "mm": not_negative(mm, "the length"),
        "instrument": words_of(instrument),
    }
    return done_by(store, "measure", body, act, now)


def record_test(
    store: Store,
    subject: str,
    kind: str,
    passed: bool,
    act: Act,
    *,
    value: float | None = None,
    unit: str = "",
    text: str = "",
    instrument: str = "",
    through: str = "",
    now: datetime | None = None,
) -> Decision:
    """Record a test of a run, part, subassembly, step or opening."""
    name = "-".join(kind.lower().split())
    if not is_id(name):
        raise UsageError(f"{kind!r} cannot be the name of a test", "Write letters, digits and hyphens.")
    if value is not None and not math.isfinite(value):
        raise UsageError("the value is no number", "Give a number, and its unit with --unit.")
    if name == CURE:
        unit = _of_cure(value, unit)
    wanted = kind_of(name).unit
    if value is not None and (fault := units.unfit(unit, wanted)):
        raise UsageError(fault, f"Give the unit with the figure, such as {wanted}.")
    body = {
        "subject": lookup_id(store.plan, None, subject),
        "test": name,
        "passed": passed,
        "value": value,
        "unit": words_of(unit),
        "text": words_of(text),
        "instrument": words_of(instrument),
        "through": words_of(through),
    }
    return done_by(store, "test", body, act, now)


def _of_cure(value: float | None, unit: str) -> str:
    """The unit of a joint's temperature, which is reckoned with."""
    if value is None:
        raise UsageError("a temperature needs its figure", "Give --value, in degrees Celsius.")
    if unit.strip().casefold() not in ("", "°c", "c"):
        raise UsageError(f"the unit is {unit.strip()!r}; a cure is reckoned in °C", "Give degrees Celsius.")
    celsius(value, "the temperature")
    return "°C"


def done(store: Store, step: str, act: Act, *, words: str = "", now: datetime | None = None) -> Decision:
    """Record that a step was finished."""
    body = {"step": lookup_id(store.plan, Dimension.STEP, step), "words": words_of(words)}
    return done_by(store, "done", body, act, now)


def witness(
    store: Store, step: str, act: Act, *, attended: bool, words: str = "", now: datetime | None = None
) -> Decision:
    """Record a witness of a step: came, or was told in time and did not."""
    needs_person(act)
    body = {"step": lookup_id(store.plan, Dimension.STEP, step), "attended": attended, "words": words_of(words)}
    return done_by(store, "witness", body, act, now)


def release(store: Store, target: str, act: Act, *, words: str = "", now: datetime | None = None) -> Decision:
    """Record that a named person lets work pass a step, or lets an opening be closed.

    Refused while anything due before it is open: each such line is waived first. What was waived is kept with it.
    """
    needs_person(act)
    id = lookup_id(store.plan, None, target)
    item = structure.items(store.plan)[id]
    if isinstance(item, Opening):
        # For an opening that is shut already this is a release entered later, for the time it speaks of.
        found = check_at(store, id, just_after(moment(store, act.at, now)))
        lines: Sequence[Line] = [line for line in found.lines if line.key != f"{id}:release"]
    elif isinstance(item, Step):
        lines = open_lines_of(gather(store, ()), id, just_after(moment(store, act.at, now)))
    else:
        raise UsageError(f"{id} is neither a step nor an opening", "Release a step or an opening.")
    standing = [line for line in lines if line.open]
    if standing:
        named = "; ".join(f"{line.key} {line.state.value}" for line in standing[:4])
        more = f" and {len(standing) - 4} more" if len(standing) > 4 else ""
        raise UsageError(
            f"{id} cannot be released, {len(standing)} line{' is' if len(standing) == 1 else 's are'} open:"
            f" {named}{more}",
            "Put them right, or let a named person waive each with a reason: 'lastlook waive'.",
        )
    body = {
        "target": id,
        "words": words_of(words),
        "waived": [line.key for line in lines if line.state is State.WAIVED],
    }
    return done_by(store, "release", body, act, now)


def waive(
    store: Store, opening: str, item: str, act: Act, *, reason: str, what: str = "", now: datetime | None = None
) -> tuple[Decision, tuple[Line, ...]]:
    """Record that a named person lets an opening be closed without something. Returns the lines that it covers: the one
    that `what` names, else all of the item that are open then; a retest must be named."""
    needs_person(act)
    if not words_of(reason):
        raise UsageError("a waiver needs a reason", "Say why with --reason, as in “no line of sight past the lid”.")
    shut = lookup_id(store.plan, "opening", opening)
    id = lookup_id(store.plan, None, item)
    when = moment(store, act.at, now)
    found = check(store, shut, "", now)
    # What was due before a closing is waived before it; tests that are due again after it, at any time later.
    late = found.shut and compare(when, found.at) is not Order.BEFORE
    before = () if late else check_at(store, shut, just_after(when)).lines
    of_item = [line for line in (*before, *found.retests) if line.subject == id]
    named = what.strip()
    covered = [
        line for line in of_item if line.open and (line.what == named if named else not line.what.startswith(RETEST))
    ]
    if not covered:
        open_ = [line.what for line in of_item if line.open]
        there = f"Open for {id}: {', '.join(open_)}." if open_ else f"See 'lastlook check {shut}'."
        if late:
            again = f" Due again: {', '.join(open_)}." if open_ else ""
            there = (
                f"{shut} is shut since {times.describe(found.at, store.zone)}: what was let pass before that is said "
            )
            there += f"with its own time, --at.{again}"
        asked = f"{named!r} of {id}" if named else id
        raise UsageError(f"nothing is open for {asked} before {shut} is closed", there)
    body: dict[str, object] = {"opening": shut, "item": id, "what": named, "reason": words_of(reason)}
    if not named:
        body["lines"] = [line.what for line in covered]
    return done_by(store, "waiver", body, act, now), tuple(covered)


def _visible(store: Store, typed: str) -> str:
    id = lookup_id(store.plan, None, typed)
    if id not in graph.visible_items(store.plan):
        raise UsageError(f"{id} is no subassembly, run or part", "Name what was changed, not the step or opening.")
    return id
