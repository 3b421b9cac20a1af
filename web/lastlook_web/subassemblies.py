"""One subassembly: its steps and openings in order, each with the picture before and after, and what is missing."""

from __future__ import annotations

from flask import Blueprint, render_template, request, url_for
from werkzeug.utils import redirect
from werkzeug.wrappers import Response

from lastlook import viewing
from lastlook.history import timeline
from lastlook.plan import structure
from lastlook.plan.vocabulary import lookup_id
from lastlook.records import Dimension, Opening, Run
from lastlook_web.app import store
from lastlook_web.stretches import start_of, stretch

pages = Blueprint("subassemblies", __name__)

LYING = 100
"""Runs and parts of a subassembly on a page."""


@pages.get("/sub/<id>")
def page(id: str) -> str | Response:
    plan = store().plan
    known = lookup_id(plan, Dimension.SUBASSEMBLY, id)
    if known != id:  # one address for one thing
        return redirect(url_for("subassemblies.page", id=known), 301)
    line = timeline(store(), id)
    full, partial, _ = viewing.openings_of(plan, id)
    titles = {item.id: item.title for item in plan.subassemblies}
    lying = (*structure.runs_in(plan, id, below=True), *structure.parts_in(plan, id, below=True))
    return render_template(
        "subassembly.html",
        sub=line.subassembly,
        total=line.total,
        moments=[(moment, isinstance(moment.item, Opening)) for moment in line.moments],
        gaps=sum(len(moment.gaps) for moment in line.moments),
        around=[(name, titles[name]) for name in reversed(structure.ancestors(plan, id))],
        inside=[(name, titles[name]) for name in structure.subtree(plan, id)[1:]],
        lying=stretch(lying, start_of(request.args), 0 if request.args.get("all") == "1" else LYING),
        is_run=lambda item: isinstance(item, Run),
        openings=full,
        over=partial,
        acts=viewing.acts(store()),
        zone=store().zone,
    )
