"""Draw and measure by typed points: one picture with what is drawn on it, and forms to draw more.

Reading works without script, and so do the forms; script adds pointing.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from lastlook import marking, measuring, overlay, picturing, viewing
from lastlook.errors import ArchiveError, UsageError
from lastlook.records import Picture
from lastlook.registration import trace
from lastlook_web import given, taking_back, words
from lastlook_web.app import store

pages = Blueprint("drawing", __name__)

EDGE = overlay.EDGE
_FIELDS = ("points", "shape", "of", "label", "follow", "ends", "mm", "within")


def drawn_size(picture: Picture) -> tuple[int, int]:
    """Width and height at which a picture is drawn on."""
    scale = min(1.0, EDGE / max(picture.width, picture.height, 1))
    return max(1, round(picture.width * scale)), max(1, round(picture.height * scale))


@pages.get("/draw/<id>")
def page(id: str) -> str:
    return _page(viewing.picture(store(), id))


@pages.post("/draw/<id>")
def change(id: str) -> Response | tuple[str, int]:
    """Keep a mark or a known length, or take something back (`uid`). What cannot be kept comes back as it was typed."""
    picture = viewing.picture(store(), id)
    act = request.form.get("act", "")
    try:
        if request.form.get("uid"):
            said = taking_back.take_back(store(), request.form["uid"], (picture.id,))[1]
        elif act == "known":
            said = _know(picture, request.form)
        elif act == "mark":
            said = _mark(picture, request.form)
        else:
            raise UsageError("there is no such form", "Use the forms of the page.")
    except given.WRONG as error:
        return _page(picture, act, request.form, given.at_fault(error)), given.code_of(error)
    flash(said)
    return redirect(url_for("drawing.page", id=picture.id), 303)


def _mark(picture: Picture, form: Mapping[str, str]) -> str:
    shape = form.get("shape", "")
    points: Any = given.points(form.get("points", ""))
    doubt = ""
    if form.get("follow") and shape == "trace":
        loaded = picturing.load(store(), picture)
        try:
            followed = trace.follow(loaded.rgb, loaded.to_work(np.array(points, dtype=np.float64).reshape(-1, 2)))
        except ValueError as error:
            raise UsageError(str(error), "Point at two or more places on the wire.") from None
        points = loaded.to_full(followed.line)
        if followed.likeness < 0.5:
            doubt = " It may have left the wire somewhere: take it back, and give a point more where it did."
    done = marking.mark(store(), picture.id, shape, points, form.get("of", ""), form.get("label", ""))
    return f"Drawn: {done.shape}{' of ' + done.of if done.of else ''}.{doubt}"


def _know(picture: Picture, form: Mapping[str, str]) -> str:
    points = given.points(form.get("ends", ""))
    mm = given.needed(form.get("mm", ""), "the length", "mm")
    within = given.number(form.get("within", ""), "its error", "mm")
    marking.know_length(store(), picture.id, points, mm, 0.5 if within is None else within)
    return "The length is kept."


def _page(picture: Picture, act: str = "", typed: Mapping[str, str] | None = None, wrong: str = "") -> str:
    w, h = drawn_size(picture)
    scale = w / max(picture.width, 1)
    found = marking.marks(store(), picture.id)
    known = [each for each in marking.knowns(store(), picture.id) if each.what in ("length", "plane")]
    plan = store().plan
    doubt = ""
    try:
        scaled = measuring.scale_of(store(), picture) if picture.page else None
    except UsageError as error:
        scaled, doubt = None, f"{words.sentence(error.message)} {error.hint}"
    except ArchiveError:  # the picture cannot be read: what is drawn is kept and listed all the same, without mm
        scaled = None
    sizes = {
        each.decision: size[0]
        for each in found
        if scaled is not None
        and each.shape in ("trace", "dimension")
        and len(each.points) >= 2
        and (size := measuring.size_of(scaled, each.points.tolist())) is not None
    }
    return render_template(
        "draw.html",
        picture=picture,
        width=w,
        height=h,
        scale=scale,
        marks=[(each, _svg_points(each.points * scale)) for each in found],
        knowns=[(each, _svg_points(each.points * scale)) for each in known if each.points is not None],
        shapes=marking.SHAPES,
        items=[
            ("Runs", [(each.id, each.title) for each in plan.runs]),
            ("Parts", [(each.id, each.title) for each in plan.parts]),
            ("Subassemblies", [(each.id, each.title) for each in plan.subassemblies]),
        ],
        sizes=sizes,
        basis=scaled.basis if scaled else "",
        doubt=doubt,
        act=act,
        typed={"within": "0.5", **{name: typed[name] for name in _FIELDS if typed and name in typed}},
        wrong=wrong,
        back=taking_back.last_taken_back(store(), (picture.id,), ("mark", "known")),
    )


def _svg_points(points: Any) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
