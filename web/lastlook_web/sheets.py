"""The plan as it is in force, files that were not used, and how these pages are used."""

from __future__ import annotations

from flask import Blueprint, render_template

from lastlook import viewing
from lastlook.archive import text_to_path
from lastlook.plan import gauges, structure
from lastlook.records import Dimension
from lastlook_web.app import store

pages = Blueprint("sheets", __name__)


@pages.get("/plan")
def plan() -> str:
    now = store().plan
    return render_template(
        "plan.html",
        plan=now,
        steps=sorted(now.steps, key=lambda step: step.order),
        acts=viewing.acts(store()),
        of_runs=viewing.counts(store(), Dimension.RUN),
        of_steps=viewing.counts(store(), Dimension.STEP),
        of_parts=viewing.counts(store(), Dimension.PART),
        order=structure.closing_order(now),
        diameter=lambda awg: gauges.diameter_mm(awg) if awg is not None and gauges.known(awg) else None,
        zone=store().zone,
    )


@pages.get("/not-used")
def problems() -> str:
    listed = [(str(text_to_path(each.path).name), each) for each in viewing.problems(store())]
    return render_template("problems.html", problems=listed)


@pages.get("/help")
def help() -> str:
    return render_template("help.html", plan=store().plan)
