"""What was recorded of items: tests, changes, waivers, releases, approvals; and how each is said."""

from __future__ import annotations

from lastlook.closing import testing
from lastlook.closing.records import Bond, Change, ChangeKind, Test
from lastlook.handover.chapters import Desk, anchor
from lastlook.handover.content import Cell, Chapter, Section, Statement, Table
from lastlook.handover.words import N_
from lastlook.plan import colours

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


def colour_words(desk: Desk, code: str, tracer: str) -> str:
    names = []
    for one in (code, tracer):
        if one:
            colour = colours.BY_CODE.get(one)
            names.append(f"{one} {desk.words(COLOURS[colour.name])}" if colour else one)
    return " + ".join(names)


def sourced(desk: Desk, id: str, one: Bond | Test | Change) -> tuple[str, tuple[str, ...]]:
    time = one.joined if isinstance(one, Bond) else one.time
    return desk.source(one.person, time), desk.near(id, time)


def change(desk: Desk, one: Change, *, named: bool = False) -> Statement:
    words = desk.words
    text = words(CHANGES[one.kind])
    if one.length_mm is not None:
        text += f", {words.length(one.length_mm)}"
    if one.colour:
        text += f", {colour_words(desk, one.colour, '')}"
    if one.why:
        text += f": {one.why}"
    label = desk.title(one.item) if named else words(N_("Change"))
    return Statement(text, label, *sourced(desk, one.item, one))


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
    changed = [change(desk, one, named=True) for one in made]
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
                # Who answers for a client names the client.
                desk.source("" if "client" in desk.material.fields else one.person, one.time),
                desk.there(one.pictures),
            )
        )
    return found or [desk.gap(words(N_("no approval is recorded")), words(N_("Approvals")))]
