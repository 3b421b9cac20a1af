"""The chapters of a record from the wire schedule on: runs, what is hidden, bonds, tests, changes, spares."""

from __future__ import annotations

from lastlook.closing import bonds as bonding
from lastlook.closing import cautions, item_log, testing
from lastlook.closing.graph import Sight
from lastlook.closing.records import Bond, Change, ChangeKind, MeasureKind, Test
from lastlook.handover.chapters import KINDS, SIGHTS, STATES, Desk, anchor
from lastlook.handover.content import Cell, Chapter, Figure, Section, Statement, Table
from lastlook.handover.words import N_
from lastlook.plan import colours, gauges
from lastlook.records import OpeningKind, Run, RunStatus

STATUSES = {
    RunStatus.DESIGNED: N_("designed"),
    RunStatus.INSTALLED: N_("installed"),
    RunStatus.CHANGED: N_("changed"),
    RunStatus.SPARE: N_("spare"),
    RunStatus.ABANDONED: N_("abandoned in place"),
}
CHANGES = {
    ChangeKind.INSTALLED: N_("installed"),
    ChangeKind.REROUTED: N_("re-routed"),
    ChangeKind.LENGTHENED: N_("lengthened"),
    ChangeKind.SHORTENED: N_("shortened"),
    ChangeKind.RETERMINATED: N_("re-terminated"),
    ChangeKind.RECOLOURED: N_("colour substituted"),
    ChangeKind.REPLACED: N_("replaced"),
    ChangeKind.ABANDONED: N_("abandoned in place"),
    ChangeKind.CHANGED: N_("changed"),
}
MEASURES = {
    MeasureKind.ROUTE: N_("along its route"),
    MeasureKind.TAIL: N_("beyond the joint line, before closing"),
    MeasureKind.FAR_SIDE: N_("from the joint line to the far terminal"),
    MeasureKind.BEND: N_("inside radius of its tightest bend"),
}
TESTS = {
    "continuity": N_("continuity end to end"),
    "polarity": N_("polarity"),
    "current": N_("current at nominal voltage"),
    "isolation": N_("isolation from the other nets"),
    "soak": N_("soak"),
    "temperature": N_("temperature beside drivers"),
    "stall-current": N_("motor running and stall current"),
    "light-leak": N_("light leaks in the dark"),
    "channels": N_("each channel on and off alone"),
    "foreign-object": N_("nothing loose inside"),
    "rattle": N_("shake and listen"),
}
COLOURS = {
    "black": N_("black"),
    "brown": N_("brown"),
    "red": N_("red"),
    "orange": N_("orange"),
    "yellow": N_("yellow"),
    "green": N_("green"),
    "blue": N_("blue"),
    "violet": N_("violet"),
    "grey": N_("grey"),
    "white": N_("white"),
    "pink": N_("pink"),
    "gold": N_("gold"),
    "turquoise": N_("turquoise"),
    "silver": N_("silver"),
    "green-and-yellow": N_("green-and-yellow"),
}
ANSWERS = {"yes": N_("yes"), "no": N_("no"), "changes": N_("yes, with changes"), "": N_("no answer is recorded")}


def wires(desk: Desk) -> Chapter:
    """The wire schedule, then each run with its last look and where it passes."""
    words = desk.words
    runs = [run for run in desk.material.plan.runs if run.id in desk.material.items]
    heads = (
        words(N_("Run")),
        words(N_("Insulation")),
        words(N_("Gauge")),
        words(N_("From")),
        words(N_("To")),
        words(N_("Cut length")),
        words(N_("Loop")),
        words(N_("Volts, milliamperes")),
        words(N_("State")),
        words(N_("Last look")),
    )
    table = Table(words(N_("Wire schedule")), heads, tuple(_schedule_row(desk, run) for run in runs))
    sections = [Section("wires-schedule", words(N_("Wire schedule")), tables=(table,) if runs else ())]
    if not runs:
        sections[0] = Section(
            "wires-schedule", words(N_("Wire schedule")), (desk.gap(words(N_("no run in the plan"))),)
        )
    sections += [_run(desk, run) for run in runs]
    return Chapter(
        "wires",
        words(N_("Wire schedule")),
        words(N_("Colours by IEC 60757, each drawn with its code. Lengths are cut lengths.")),
        tuple(sections),
    )


def _schedule_row(desk: Desk, run: Run) -> tuple[Cell, ...]:
    words = desk.words
    changes = desk.facts.changes.get(run.id, ())
    code = item_log.colour(run, changes)
    look = tuple(one.picture for one in desk.look(run.id))[:2]
    supply = ", ".join(
        part
        for part in (
            f"{words.number(run.volts)} V" if run.volts is not None else "",
            f"{words.number(run.milliamps)} mA" if run.milliamps is not None else "",
        )
        if part
    )
    gauge = f"AWG {run.gauge_awg}" if run.gauge_awg is not None else ""
    if run.gauge_awg is not None and gauges.known(run.gauge_awg):
        gauge += f" ({words.number(gauges.diameter_mm(run.gauge_awg))} mm)"
    none = words(N_("not recorded"))
    return (
        Cell(f"{run.id} {run.title}", link=f"run-{run.id}"),
        Cell(_colour_words(desk, code, run.tracer) or none, swatch=(code, run.tracer) if code else None),
        Cell(gauge or none, missing=not gauge),
        Cell(run.source or none, missing=not run.source),
        Cell(run.target or none, missing=not run.target),
        Cell(words.length(item_log.cut_length(run, changes)) or none),
        Cell(words.length(run.loop_mm) or none, missing=run.loop_mm is None),
        Cell(supply or none, missing=not supply),
        Cell(words(STATUSES[run.status])),
        Cell("" if look else none, look, missing=not look),
    )


def _colour_words(desk: Desk, code: str, tracer: str) -> str:
    names = []
    for one in (code, tracer):
        if one:
            colour = colours.BY_CODE.get(one)
            names.append(f"{one} {desk.words(COLOURS[colour.name])}" if colour else one)
    return " + ".join(names)


def _run(desk: Desk, run: Run) -> Section:
    words = desk.words
    passes = ", ".join(desk.title(sub) for sub in run.subassemblies)
    statements = [
        Statement(passes, words(N_("Passes through")))
        if passes
        else desk.gap(words(N_("where it passes is not recorded")), run.id)
    ]
    if run.crosses:
        statements.append(Statement(", ".join(map(desk.title, run.crosses)), words(N_("Crosses the joint of"))))
    marked = desk.there(desk.material.marked.get(run.id, ()))
    if marked:
        statements.append(Statement(words(N_("drawn on pictures")), words(N_("Route")), "", marked))
    else:
        statements.append(desk.gap(words(N_("its route is not drawn on any picture")), run.id))
    for one in desk.facts.measures.get(run.id, ()):
        statements.append(
            Statement(
                f"{words(MEASURES[one.kind])} {words.length(one.mm)}",
                words(N_("Measured")),
                desk.source(one.person, one.time),
                desk.near(run.id, one.time),
            )
        )
    statements += [_change(desk, one) for one in desk.facts.changes.get(run.id, ())]
    state = next((one for one in desk.material.states if one.id == run.id), None)
    if state is not None:
        since = words(N_("since {time}"), time=words.time(state.since.time)) if state.since else ""
        shut = f" ({desk.title(state.since.opening)})" if state.since else ""
        statements.append(Statement(f"{words(SIGHTS[state.sight])} {since}{shut}".strip(), words(N_("Sight"))))
    figures = tuple(
        Figure(one.picture, f"{words(N_('Last look'))}: {words(STATES[one.state])}") for one in desk.look(run.id)
    )
    if not figures:
        hidden = state is not None and state.sight is not Sight.SEEN
        text = N_("no picture from before it was hidden") if hidden else N_("no picture of it")
        statements.append(desk.gap(words(text), run.id))
    return Section(f"run-{run.id}", f"{run.id} {run.title}", tuple(statements), figures=figures)


def behind(desk: Desk) -> Chapter:
    """What is behind each closed opening, with the last look at it."""
    words = desk.words
    sections = []
    for opening in desk.material.plan.openings:
        if opening.id not in desk.material.items:
            continue
        closing = desk.shut(opening.id)
        if closing is None:
            text = words(N_("open: no closing is recorded"))
            sections.append(Section(f"behind-{opening.id}", desk.title(opening.id), (Statement(text),)))
            continue
        method = f", {closing.method}" if closing.method else ""
        statements = [
            Statement(
                words(N_("closed, {time}"), time=words.time(closing.time)) + method,
                words(KINDS[opening.kind]),
                desk.person(closing.by),
            )
        ]
        if opening.kind is OpeningKind.BONDED:
            statements.append(
                Statement(words(N_("It stays shut: what is behind it is known from these pictures only.")))
            )
        figures: list[Figure] = []
        for id in opening.shows:
            if id not in desk.material.items:  # of what is out of scope nothing is said, not even that it is missing
                continue
            look = desk.look(id)
            if look:
                statements.append(
                    Statement(words(STATES[look[0].state]), desk.title(id), "", tuple(one.picture for one in look))
                )
                figures += [Figure(one.picture, f"{desk.title(id)}: {words(STATES[one.state])}") for one in look]
            else:
                statements.append(
                    desk.gap(words(N_("not recorded: no picture from before it was hidden")), desk.title(id))
                )
        waived = desk.facts.waivers.get(opening.id, ())
        if waived:
            statements.append(
                Statement(
                    words.many("{n} waiver stands", "{n} waivers stand", len(waived)), words(N_("Closed with waivers"))
                )
            )
        unique = {figure.picture: figure for figure in reversed(figures)}
        sections.append(
            Section(
                f"behind-{opening.id}",
                desk.title(opening.id),
                tuple(statements),
                figures=tuple(reversed(unique.values())),
            )
        )
    return Chapter(
        "behind",
        words(N_("What is behind each closed opening")),
        words(
            N_(
                "For each hidden item the last look: the newest picture that is newer than its last change and older "
                "than its hiding; where there is none, the newest there is, and why it proves less."
            )
        ),
        tuple(sections),
    )


def bonds(desk: Desk) -> Chapter:
    words = desk.words
    statements: list[Statement] = []
    warned: list[str] = []
    found = [bond for bond in desk.facts.bonds if bond.target in desk.material.items]
    for bond in found:
        statements.append(Statement(_bond(desk, bond), desk.title(bond.target), *_sourced(desk, bond.target, bond)))
        sheet = desk.facts.adhesives.get(bond.adhesive.casefold())
        warned += cautions.of_adhesive(sheet.kind if sheet else "")
    done = {bond.target for bond in found}
    for opening in desk.material.plan.openings:
        if opening.kind is OpeningKind.BONDED and opening.id in desk.material.items and opening.id not in done:
            closing = desk.shut(opening.id)
            said = words(N_("no bond is recorded: adhesive, batch and cure are not known"))
            if closing is not None and closing.method:
                said += f" ({words(N_('closing'))}: {closing.method})"
            statements.append(desk.gap(said, desk.title(opening.id)))
    if found:
        warned.append(cautions.UNCURED)
    statements += [Statement(words(text), caution=True) for text in dict.fromkeys(warned)]
    return Chapter(
        "bonds",
        words(N_("Bonds, and what can be undone")),
        "",
        (
            Section("bonds-all", words(N_("Bonds")), tuple(statements)),
            Section("bonds-undo", words(N_("What can be undone")), tuple(desk.topics("bonds"))),
        ),
    )


def _sourced(desk: Desk, id: str, one: Bond | Test | Change) -> tuple[str, tuple[str, ...]]:
    time = one.joined if isinstance(one, Bond) else one.time
    return desk.source(one.person, time), desk.near(id, time)


def _bond(desk: Desk, bond: Bond) -> str:
    words = desk.words
    sheet = desk.facts.adhesives.get(bond.adhesive.casefold())
    parts = [f"{bond.adhesive} ({sheet.kind})" if sheet and sheet.kind else bond.adhesive]
    if bond.batch:
        parts.append(words(N_("batch {batch}"), batch=bond.batch))
    if bond.expiry:
        parts.append(words(N_("expiry {date}"), date=bond.expiry))
    if bond.ratio:
        parts.append(words(N_("mixed {ratio}"), ratio=bond.ratio))
    if bond.mass_g is not None:
        parts.append(f"{words.number(bond.mass_g)} g")
    if bond.temperature_c is not None:
        parts.append(f"{words.number(bond.temperature_c, 1)} °C")
    if bond.humidity_percent is not None:
        parts.append(words(N_("{percent} % relative humidity"), percent=words.number(bond.humidity_percent, 0)))
    if bond.preparation:
        parts.append(bond.preparation)
    took = bonding.full_cure(bond, desk.facts.adhesives)
    if took.hours is not None:
        until = words.time(bonding.end_of(bond.joined, took.hours))
        parts.append(
            words(N_("full cure after {hours} h, no load until {time}"), hours=words.number(took.hours), time=until)
        )
    else:
        parts.append(words(N_("when it had cured is not known")))
    if bond.note:
        parts.append(bond.note)
    return "; ".join(parts)


def tests(desk: Desk) -> Chapter:
    """Tests, each told whether it was made before or after what hides its subject was closed."""
    words = desk.words
    rows = []
    for id, made in desk.facts.tests.items():
        if id not in desk.material.items:
            continue
        for test in made:
            value = f"{words.number(test.value)} {test.unit}".strip() if test.value is not None else ""
            text = "; ".join(part for part in (value, test.text, test.instrument) if part)
            if test.through:
                text += f" ({words(N_('through {connector}'), connector=test.through)})"
            name = TESTS.get(test.kind)
            rows.append(
                (
                    Cell(desk.title(id), link=anchor(desk, id)),
                    Cell(words(name) if name else testing.kind_of(test.kind).title),
                    Cell(words(N_("passed")) if test.passed else words(N_("failed"))),
                    Cell(text),
                    Cell(_against_closing(desk, id, test)),
                    Cell(desk.source(test.person, test.time), desk.near(id, test.time)),
                )
            )
    heads = (
        words(N_("Tested")),
        words(N_("Test")),
        words(N_("Result")),
        words(N_("Value and instrument")),
        words(N_("Before or after closing")),
        words(N_("By and when")),
    )
    table = (Table(words(N_("Tests")), heads, tuple(rows)),) if rows else ()
    statements = []
    if not rows:
        statements.append(desk.gap(words(N_("no test is recorded")), words(N_("Tests"))))
    untested = [
        run.id for run in desk.material.plan.runs if run.id in desk.material.items and run.id not in desk.facts.tests
    ]
    if rows and untested:
        statements.append(desk.gap(words(N_("no test is recorded for {runs}"), runs=", ".join(untested))))
    return Chapter(
        "tests",
        words(N_("Tests before and after closing")),
        "",
        (Section("tests-all", words(N_("Tests")), tuple(statements), table),),
    )


def _against_closing(desk: Desk, id: str, test: Test) -> str:
    words = desk.words
    state = next((one for one in desk.material.states if one.id == id), None)
    closing = desk.shut(id) if id in desk.material.closings else state.since if state else None
    if closing is None:
        return words(N_("not closed"))
    if test.time.latest is None or closing.time.earliest is None or closing.time.latest is None:
        return words(N_("not determined"))
    if test.time.latest < closing.time.earliest:
        return words(N_("before {opening}"), opening=closing.opening)
    if test.time.earliest is not None and test.time.earliest > closing.time.latest:
        return words(N_("after {opening}"), opening=closing.opening)
    return words(N_("not determined"))


def changes(desk: Desk) -> Chapter:
    """Changes, waivers and releases, approvals."""
    words, facts = desk.words, desk.facts
    made = [one for each in facts.changes.values() for one in each if one.item in desk.material.items]
    made.sort(key=lambda one: (one.time.instant or desk.material.issued, one.item))
    changed = [_change(desk, one, named=True) for one in made]
    if not changed:
        changed = [desk.gap(words(N_("no change is recorded")), words(N_("Changes")))]
    return Chapter(
        "changes",
        words(N_("Changes, waivers, approvals")),
        "",
        (
            Section("changes-changes", words(N_("Changes")), tuple(changed)),
            Section("changes-waivers", words(N_("Waivers and releases")), tuple(_waivers(desk))),
            Section("changes-approvals", words(N_("Approvals")), tuple(_approvals(desk))),
        ),
    )


def _change(desk: Desk, one: Change, *, named: bool = False) -> Statement:
    words = desk.words
    text = words(CHANGES[one.kind])
    if one.length_mm is not None:
        text += f", {words.length(one.length_mm)}"
    if one.colour:
        text += f", {_colour_words(desk, one.colour, '')}"
    if one.why:
        text += f": {one.why}"
    label = desk.title(one.item) if named else words(N_("Change"))
    return Statement(text, label, *_sourced(desk, one.item, one))


def _waivers(desk: Desk) -> list[Statement]:
    words, facts = desk.words, desk.facts
    if "waivers" in desk.material.fields:
        return [Statement(words(N_("kept private by the builder")))]
    found = []
    for opening, waivers in facts.waivers.items():
        for one in waivers:
            if opening in desk.material.items:
                what = f" ({one.what})" if one.what else ""
                reason = f": {one.reason}" if one.reason else ""
                found.append(
                    Statement(
                        words(N_("waived: {item}"), item=desk.title(one.item)) + what + reason,
                        desk.title(opening),
                        desk.source(one.person, one.time),
                        desk.near(one.item, one.time),
                    )
                )
    for target, releases in facts.releases.items():
        for one_ in releases:
            if target in desk.material.items:
                text = words(N_("released")) + (f": {one_.words}" if one_.words else "")
                found.append(Statement(text, desk.title(target), desk.source(one_.person, one_.time)))
    return found or [desk.gap(words(N_("no waiver and no release is recorded")), words(N_("Waivers and releases")))]


def _approvals(desk: Desk) -> list[Statement]:
    words = desk.words
    if "approvals" in desk.material.fields:
        return [Statement(words(N_("kept private by the builder")))]
    found = []
    for one in desk.material.approvals:
        answer = words(ANSWERS[one.answer])
        said = f" “{one.words}”" if one.words else ""
        asked = words(N_("asked on {time}: “{wording}”"), time=words.moment(one.sent), wording=one.wording)
        found.append(
            Statement(
                f"{asked} {words(N_('Answer'))}: {answer}{said}",
                one.point,
                desk.source(one.person, one.time),
                desk.there(one.pictures),
            )
        )
    return found or [desk.gap(words(N_("no approval is recorded")), words(N_("Approvals")))]


def spares(desk: Desk) -> Chapter:
    words = desk.words
    found = desk.topics("spares")
    runs = [run for run in desk.material.plan.runs if run.status is RunStatus.SPARE and run.id in desk.material.items]
    for run in runs:
        found.append(
            Statement(
                words(N_("spare run from {source} to {target}"), source=run.source or "–", target=run.target or "–"),
                desk.title(run.id),
                "",
                tuple(one.picture for one in desk.look(run.id)),
            )
        )
    if not runs:
        found.append(Statement(words(N_("no spare run in the plan"))))
    return Chapter("spares", words(N_("Spares")), "", (Section("spares-all", words(N_("Spares")), tuple(found)),))
