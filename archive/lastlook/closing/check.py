"""The closing check: everything that closing an opening asks for, each line passed, gap, stale, undetermined or waived.

It looks and says; it releases nothing. What is left open is waived by a named person with a reason, or stays open.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime

from lastlook.closing import (
    bonds,
    cautions,
    electrical,
    evidence,
    graph,
    item_log,
    lengths,
    requirements,
    steps,
    testing,
)
from lastlook.closing.item_log import Event
from lastlook.closing.records import Change, Check, Facts, Line, MeasureKind, Note, State, Waiver
from lastlook.closing.requirements import Asked
from lastlook.records import CaptureTime, Opening, OpeningKind, Run, RunStatus
from lastlook.times import Order, compare, describe


def check(facts: Facts, opening: Opening, at: CaptureTime, *, shut: bool = False) -> Check:
    """Check an opening that is to be closed at `at`, or was (`shut`)."""
    plan = facts.plan
    closings = {id: acts for id, acts in facts.closings.items() if id != opening.id}
    hidden = graph.hidden_by(plan, opening.id, closings, at)
    crossed = tuple(run.id for run in graph.crossing(plan, opening.id) if run.id not in hidden)
    asked_of_opening = requirements.of_opening(plan, opening)
    # The closing's own bond is made by closing it; every other hold of the build counts, for closing moves the model.
    holds = tuple(each for each in bonds.holds(facts, at) if each.bond.target != opening.id)
    asked_of_items = dict(_asked(facts, (*hidden, *crossed), at))
    lines = [
        *_items(facts, opening, hidden, crossed, at, asked_of_items),
        *(line for step in steps.due_before(facts, opening.id) for line in steps.lines_for(facts, step, at)),
        *steps.of_opening(facts, opening, (*hidden, *crossed), at, asked_of_opening.tests),
        *(bonds.line_for(facts, each, at) for each in holds),
    ]
    lines = [waived(facts, opening.id, line, at) for line in lines]
    if asked_of_opening.release:
        let_pass = [line.key for line in lines if line.state is State.WAIVED]
        tests = {id: asked.tests if id in hidden else () for id, asked in asked_of_items.items()}
        line = steps.release_of_opening(facts, opening, tests, at, asked_of_opening.tests, let_pass)
        lines.append(waived(facts, opening.id, line, at))
    return Check(
        opening=opening.id,
        at=at,
        lines=tuple(lines),
        hides=hidden,
        crossed=crossed,
        holds=holds,
        notes=tuple(_notes(facts, (*hidden, *crossed), at)),
        cautions=_cautions(facts, opening, (*hidden, *crossed), holds_running=any(not each.over for each in holds)),
        shut=shut,
    )


def _asked(facts: Facts, ids: Sequence[str], at: CaptureTime) -> Iterator[tuple[str, Asked]]:
    items = graph.visible_items(facts.plan)
    for id in ids:
        yield id, requirements.of_item(facts.plan, items[id], item_log.standing(facts.changes.get(id, ()), at))


def _items(
    facts: Facts,
    opening: Opening,
    hidden: Sequence[str],
    crossed: Sequence[str],
    at: CaptureTime,
    asked_of: Mapping[str, Asked],
) -> Iterator[Line]:
    items = graph.visible_items(facts.plan)
    shows = graph.sightlines(facts.plan)
    for id in (*hidden, *crossed):
        item = items[id]
        changes = item_log.standing(facts.changes.get(id, ()), at)
        asked = asked_of[id]
        is_hidden = id in hidden
        if is_hidden and not item_log.installed(item, changes):
            ask = f"{id}: install it, then 'lastlook change {id} --kind installed --at TIME'"
            yield Line(id, "installed", "installed", State.GAP, "only designed, by the plan and its log", ask)
        found = evidence.verdicts(facts, item, at, shows[id])
        for role in evidence.roles(item, asked, hidden=is_hidden, crossed=(opening.id,)):
            yield evidence.line_for(facts, id, role, found, at)
        # A tail that is shut in at a joint line must reach what is landed afterwards, hidden or not.
        at_joint = isinstance(item, Run) and opening.id in item.crosses
        if isinstance(item, Run) and asked.length and (is_hidden or at_joint):
            yield lengths.line_for(facts, item, at, crossed=at_joint)
        if is_hidden:
            gone = isinstance(item, Run) and item_log.abandoned(item, changes)
            more = () if gone else testing.failing(facts, id, at)
            for name in (*asked.tests, *(name for name in more if name not in asked.tests)):
                yield testing.line_for(facts, id, name, changes, at)


def waived(facts: Facts, opening: str, line: Line, at: CaptureTime) -> Line:
    """The line as a waiver leaves it: only what is open can be waived, and it counts as waived, never as passed."""
    if not line.open:
        return line
    stands: Waiver | None = None
    lapsed: str = ""
    zone = facts.plan.build.zone
    for waiver in facts.waivers.get(opening, ()):
        if waiver.item != line.subject or not _speaks_of(waiver, line):
            continue
        order = compare(waiver.time, at)
        if order is Order.AFTER:
            continue
        given = f"{waiver.person}, {describe(waiver.time, zone)}"
        if order is not Order.BEFORE:
            lapsed = f"; waived by {given}, and whether that was before the closing is open: give it a closer time"
            continue
        since = _spoken_against(facts, line, waiver, at)
        if since is not None:
            lapsed = f"; waived by {waiver.person} before {since.words} {describe(since.time, zone)}: no longer"
            continue
        newer = item_log.against(waiver.time, _let_pass(facts, opening, line.subject, at))
        if newer.order is Order.AFTER:
            stands = waiver
        elif newer.order is Order.BEFORE and newer.change is not None:
            changed = f"{newer.change.item} was {evidence.change_words(newer.change, zone)}"
            lapsed = f"; waived by {waiver.person} before {changed}: no longer"
        elif newer.change is not None:
            changed = f"{newer.change.item} was {evidence.change_words(newer.change, zone)}"
            lapsed = f"; waived by {given}, and whether {changed} before that is open: waive it anew"
    if stands is None:
        return _with(line, reason=line.reason + lapsed) if lapsed else line
    words = f"{stands.person}, {describe(stands.time, zone)}: {stands.reason}"
    return Line(
        line.subject, line.what, line.title, State.WAIVED, f"{words} ({line.state.value}: {line.reason})", "",
        line.pictures, line.candidates,
    )  # fmt: skip


def _let_pass(facts: Facts, opening: str, subject: str, at: CaptureTime) -> tuple[Change | Event, ...]:
    """What a waiver must be newer than: every change of what it lets pass, and the last time it was all opened again.

    The runs of a step are what the step is about; what an opening hides is what its closing is about.
    """
    step = next((one for one in facts.plan.steps if one.id == subject), None)
    ids: Sequence[str] = step.runs if step is not None else (subject,)
    if subject == opening:
        others = {id: acts for id, acts in facts.closings.items() if id != opening}
        ids = graph.hidden_by(facts.plan, opening, others, at)
    return steps.in_order((*steps.changes_of(facts, ids, at), *steps.reopenings(facts, opening, at)))


def _speaks_of(waiver: Waiver, line: Line) -> bool:
    """A waiver for all of an item is for what of it stood open when it was given, before a closing: a bond made of it
    later, or a view taken back, nobody has let pass. A retest after the closing must be named."""
    if waiver.what:
        return waiver.what == line.what
    return not line.what.startswith(RETEST) and (not waiver.lines or line.what in waiver.lines)


def _spoken_against(facts: Facts, line: Line, waiver: Waiver, at: CaptureTime) -> Event | None:
    """What speaks against a line and the person who waived it surely did not know, or may not have: nobody waives that
    unseen. A failed test, a no of the client, a length that was measured, a joint that was colder than was known."""
    id, (what, _, name) = line.subject, line.what.partition(":")
    told: list[Event] = []
    if what in ("test", "retest"):
        failed = [test for test in facts.tests.get(id, ()) if test.kind == name and not test.passed]
        told = [Event(id, "the test failed", test.time) for test in failed]
    elif what == steps.APPROVAL:
        refused = [one for one in facts.answers.get(id, ()) if one.verdict not in ("", "yes")]
        told = [Event(id, f"{one.person} answered otherwise", one.time) for one in refused]
    elif what == lengths.LENGTH:
        measured = [one for one in facts.measures.get(id, ()) if one.kind is not MeasureKind.BEND]
        told = [Event(id, f"its {item_log.measure_words(one)} was measured", one.time) for one in measured]
    elif what == bonds.CURE_LINE:
        told = [Event(id, f"{one.value:g} °C was read", one.time) for one in bonds.colder(facts, line, waiver.time)]
    for event in told:
        if compare(event.time, at) is not Order.AFTER and compare(event.time, waiver.time) is not Order.BEFORE:
            return event
    return None


def _with(line: Line, reason: str) -> Line:
    return Line(line.subject, line.what, line.title, line.state, reason, line.shoot, line.pictures, line.candidates)


def open_lines_of(facts: Facts, target: str, at: CaptureTime) -> tuple[Line, ...]:
    """What stands in the way of releasing a step: its own lines but for the release."""
    step = next((one for one in facts.plan.steps if one.id == target), None)
    if step is None:
        return ()
    found = [line for line in steps.lines_for(facts, step, at) if line.what not in RELEASES]
    for opening in step.before:
        found = [waived(facts, opening, line, at) for line in found]
    return tuple(line for line in found if line.state is not State.PASSED)


RETEST = "retest:"
RELEASES = ("hold", "review", "approval", "release", "witness")


def retests(facts: Facts, opening: Opening, before: Check) -> tuple[Line, ...]:
    """After a closing: the tests that were made before it, asked for again through the external connector."""
    shut = before.at
    items = graph.visible_items(facts.plan)
    wanted: dict[tuple[str, str], float] = {}
    for id in (*before.hides, *before.crossed):
        percent = requirements.of_item(facts.plan, items[id]).retest_percent
        for test in facts.tests.get(id, ()):
            wanted[id, test.kind] = percent
    percent = requirements.of_opening(facts.plan, opening).retest_percent
    for id in (opening.id, *(step.id for step in steps.due_before(facts, opening.id))):
        for test in facts.tests.get(id, ()):
            wanted[id, test.kind] = percent
    found = []
    for (id, name), allowed in wanted.items():
        line = testing.retest_line(facts, id, name, shut, allowed)
        if line is not None:
            found.append(waived(facts, opening.id, line, _ever(shut)))
    return tuple(found)


def _ever(time: CaptureTime) -> CaptureTime:
    """A time that nothing recorded is later than: a retest may be waived at any time after the closing."""
    far = datetime(9999, 1, 1, tzinfo=UTC)
    return CaptureTime(far, far, far, time.basis, time.why)


def _notes(facts: Facts, ids: Sequence[str], at: CaptureTime) -> Iterator[Note]:
    items = graph.visible_items(facts.plan)
    zone = facts.plan.build.zone
    said: set[str] = set()
    for id in ids:
        item = items[id]
        if isinstance(item, Run):
            asked: Asked = requirements.of_item(facts.plan, item, item_log.standing(facts.changes.get(id, ()), at))
            back = electrical.partner(facts.plan, item)
            yield from electrical.notes_for(facts, item, asked, at, drop=back is None or back.id not in said)
            said.add(id)
            if item.status is not RunStatus.SPARE and not item.crosses and len(set(item.subassemblies)) > 1:
                yield Note(id, f"{id} lies in several subassemblies; the plan names no joint line it crosses")
    for answer in facts.loose_answers:
        if answer.verdict != "yes" and compare(answer.shown, at) is not Order.AFTER:
            told = (
                steps.words_of(answer, zone)
                if answer.verdict
                else f"sent {describe(answer.shown, zone)}, no answer yet"
            )
            yield Note("approval", f"approval “{answer.step}”, which no approval step is called by: {told}", True)
    for bond in facts.bonds:
        for fault in bonds.clamp_faults(bond, facts.adhesives, zone, bonds.readings_of(facts, bond)):
            yield Note(bond.target, f"bond of {bond.target}: {fault}", True)


def _cautions(facts: Facts, opening: Opening, ids: Sequence[str], *, holds_running: bool) -> tuple[str, ...]:
    found: list[str] = []
    if holds_running:
        found.append(cautions.UNCURED)
    if opening.kind is OpeningKind.BONDED:
        kinds = bonds.used([bond for bond in facts.bonds if bond.target == opening.id], facts.adhesives) or ("",)
        for kind in kinds:
            found += cautions.of_adhesive(kind)
        found.append(cautions.VAPOUR)
    words = " ".join(
        f"{item.id} {item.title} {getattr(item, 'target', '')}" for id, item in graph.visible_items(facts.plan).items()
        if id in ids
    ).casefold()  # fmt: skip
    if any(word in words for word in ("led", "lamp", "light", "laser", "lantern")):
        found.append(cautions.LIGHT)
    if "mot" in words:
        found.append(cautions.ROTATING)
    if any(word in words for word in ("battery", "cell", "lithium")):
        found.append(cautions.CELLS)
    found.append(cautions.LIMITS)
    return tuple(dict.fromkeys(found))
