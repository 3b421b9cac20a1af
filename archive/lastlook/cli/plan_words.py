"""The plan in words and as JSON."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict

from lastlook.plan.colours import label, spoken
from lastlook.plan.structure import openings_showing
from lastlook.records import Opening, Plan, Run, Subassembly


def plan_lines(plan: Plan) -> Iterator[str]:
    """The plan for a terminal."""
    scale = f", {plan.build.scale}" if plan.build.scale else ""
    yield f"{plan.build.name}{scale}, times in {plan.build.zone}"
    if not plan.ids:
        yield "There is no plan yet: load one with 'lastlook plan load FILE'."
        return
    yield from _section("Subassemblies")
    for sub in plan.subassemblies:
        within = f" (within {sub.within})" if sub.within else ""
        seen = openings_showing(plan, sub.id)
        through = f"  seen through {', '.join(seen)}" if seen else ""
        yield f"  {sub.id:<10} {sub.title}{within}{through}{_deep(sub)}"
    yield from _section("Openings")
    for opening in plan.openings:
        shows = ", ".join(opening.shows) or "nothing"
        yield f"  {opening.id:<10} {opening.title}, {opening.kind.value}; shows {shows}{_deep(opening)}"
    yield from _section("Steps")
    for step in sorted(plan.steps, key=lambda step: step.order):
        hold = f" · {step.hold.value} point" if step.hold.value else ""
        before = f" · before {', '.join(step.before)}" if step.before else ""
        runs = f" · {' '.join(step.runs)}" if step.runs else ""
        yield f"  {step.id:<10} {step.title} · {step.subassembly}{runs}{hold}{before}"
    yield from _section("Runs")
    for run in plan.runs:
        yield f"  {run_line(run)}"
    if plan.parts:
        yield from _section("Parts")
        for part in plan.parts:
            yield f"  {part.id:<10} {part.title} · {part.subassembly}"


def _deep(item: Subassembly | Opening) -> str:
    if item.depth_mm is None:
        return ""
    to = f" to {item.depth_to_mm:g}" if item.depth_to_mm is not None else ""
    return f"  {item.depth_mm:g}{to} mm below the skin"


def run_line(run: Run) -> str:
    """One run: id, colour by code and name, gauge, ends, lengths."""
    colour = f"{label(run.colour, run.tracer)} {spoken(run.colour, run.tracer)}" if run.colour else "no colour"
    gauge = f" {run.gauge_awg} AWG" if run.gauge_awg is not None else ""
    lengths = f" {run.cut_length_mm:g}" if run.cut_length_mm is not None else ""
    if lengths and run.loop_mm is not None:
        lengths += f"/{run.loop_mm:g}"
    ends = f"{run.source or '?'} → {run.target or '?'}"
    return f"{run.id:<10} {colour}{gauge}  {ends}{lengths + ' mm' if lengths else ''}  {run.title} ({run.status.value})"


def plan_json(plan: Plan) -> dict[str, object]:
    """The plan with the keys of the plan file."""

    def tidy(item: object) -> dict[str, object]:
        raw: dict[str, object] = asdict(item)  # type: ignore[call-overload]
        if "source" in raw:
            raw["from"], raw["to"] = raw.pop("source"), raw.pop("target")
        return raw

    return {
        "build": tidy(plan.build),
        "subassemblies": [tidy(item) for item in plan.subassemblies],
        "openings": [tidy(item) for item in plan.openings],
        "steps": [tidy(item) for item in plan.steps],
        "runs": [tidy(item) for item in plan.runs],
        "parts": [tidy(item) for item in plan.parts],
    }


def _section(title: str) -> Iterator[str]:
    yield ""
    yield title
