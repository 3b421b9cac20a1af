"""The plan as it is in force, files that were not used, and how these pages are used."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from lastlook import plan_depths, planning, schedule_edits, viewing
from lastlook.archive import text_to_path
from lastlook.counting import counts
from lastlook.errors import NoSuchId, PlanError, UsageError
from lastlook.plan import gauges, structure
from lastlook.records import Dimension
from lastlook_web.app import store
from lastlook_web.given import at_fault, code_of, number
from lastlook_web.stretches import start_of, stretch

pages = Blueprint("sheets", __name__)

RUNS = 75
"""Rows of the plan's wire schedule on a page."""


@pages.get("/plan")
def plan() -> str:
    """The plan in force. `depth` opens the fields for how deep one subassembly or opening lies."""
    asked = request.args.get("depth", "").strip()
    if not asked:
        return _plan()
    item = plan_depths.item_of(store().plan, asked)
    shown = {"least": item.depth_mm, "most": item.depth_to_mm}
    typed = {name: "" if value is None else f"{value:g}" for name, value in shown.items()}
    return _plan(item.id, {**typed, "base": planning.uid_in_force(store())})


@pages.post("/plan")
def depth() -> Response | tuple[str, int]:
    """Keep a depth in the plan."""
    of, base = request.form.get("of", ""), request.form.get("base", "")
    try:
        least, most = (
            number(request.form.get(name, ""), what, "mm")
            for name, what in (("least", "the depth"), ("most", "the greatest depth"))
        )
        done = plan_depths.change(store(), of, least, most, base)
    except planning.PlanMoved as error:
        now = plan_depths.words(plan_depths.item_of(store().plan, of)) or "nothing"
        typed = {**request.form, "base": planning.uid_in_force(store())}
        return _plan(
            of, typed, f"{at_fault(error)} It says {now} for {of} by now; keep it again to write it over."
        ), 409
    except PlanError as error:
        return _plan(of, request.form, " ".join((at_fault(error), *error.faults))), 400
    except (UsageError, NoSuchId) as error:
        return _plan(of, request.form, at_fault(error)), code_of(error)
    item = plan_depths.item_of(store().plan, of)
    words = plan_depths.words(item)
    if done.decision is None:
        flash(f"{item.id}: nothing was changed.")
    else:
        said = f"{words} below the skin" if words else "the plan says no depth"
        flash(f"{item.id}: {said}. It can be taken back.")
    return redirect(url_for("sheets.plan", _anchor=f"depth-{item.id}", **_kept()), 303)


@pages.post("/plan/undo")
def undo() -> Response | tuple[str, int]:
    """Take the last change of the plan back."""
    try:
        schedule_edits.undo(store(), request.form.get("uid", ""))
    except UsageError as error:
        return _plan(wrong=at_fault(error)), code_of(error)
    flash("The last change of the plan is taken back.")
    return redirect(url_for("sheets.plan", **_kept()), 303)


def _kept() -> dict[str, Any]:
    """Which of the runs the page shows, as its address says it: an act beside them leads back to the same."""
    return {name: request.args[name] for name in ("from", "all") if request.args.get(name)}


def _plan(of: str = "", typed: Mapping[str, str] | None = None, wrong: str = "") -> str:
    now = store().plan
    return render_template(
        "plan.html",
        plan=now,
        runs=stretch(now.runs, start_of(request.args), 0 if request.args.get("all") == "1" else RUNS),
        steps=sorted(now.steps, key=lambda step: step.order),
        acts=viewing.acts(store()),
        of_runs=counts(store(), Dimension.RUN),
        of_steps=counts(store(), Dimension.STEP),
        of_parts=counts(store(), Dimension.PART),
        order=structure.closing_order(now),
        diameter=lambda awg: gauges.diameter_mm(awg) if awg is not None and gauges.known(awg) else None,
        last=schedule_edits.last_revision(store()),
        of=of,
        kept=_kept(),
        typed=typed or {},
        wrong=wrong,
        zone=store().zone,
    )


@pages.get("/not-used")
def problems() -> str:
    listed = [(str(text_to_path(each.path).name), each) for each in viewing.problems(store())]
    return render_template("problems.html", problems=listed)


@pages.get("/help")
def help() -> str:
    return render_template("help.html", plan=store().plan)
