"""The chapters of the wire schedule: every run with its last look, and the spares."""

from __future__ import annotations

from lastlook.closing import item_log
from lastlook.closing.graph import Sight
from lastlook.closing.records import MeasureKind
from lastlook.handover.chapters import SIGHTS, STATES, Desk
from lastlook.handover.chapters_records import change, colour_words
from lastlook.handover.content import Cell, Chapter, Figure, Section, Statement, Table
from lastlook.handover.words import N_
from lastlook.plan import gauges
from lastlook.records import Run, RunStatus

STATUSES = {
    RunStatus.DESIGNED: N_("designed"),
    RunStatus.INSTALLED: N_("installed"),
    RunStatus.CHANGED: N_("changed"),
    RunStatus.SPARE: N_("spare"),
    RunStatus.ABANDONED: N_("abandoned in place"),
}
MEASURES = {
    MeasureKind.ROUTE: N_("along its route"),
    MeasureKind.TAIL: N_("beyond the joint line, before closing"),
    MeasureKind.FAR_SIDE: N_("from the joint line to the far terminal"),
    MeasureKind.BEND: N_("inside radius of its tightest bend"),
}


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
        Cell(colour_words(desk, code, run.tracer) or none, swatch=(code, run.tracer) if code else None),
        Cell(gauge or none, missing=not gauge),
        Cell(run.source or none, missing=not run.source),
        Cell(run.target or none, missing=not run.target),
        Cell(words.length(item_log.cut_length(run, changes)) or none),
        Cell(words.length(run.loop_mm) or none, missing=run.loop_mm is None),
        Cell(supply or none, missing=not supply),
        Cell(words(STATUSES[run.status])),
        Cell("" if look else none, look, missing=not look),
    )


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
    statements += [change(desk, one) for one in desk.facts.changes.get(run.id, ())]
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
