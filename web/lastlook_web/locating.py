"""Find on the exterior: where a run passes on a picture of the finished skin, and what is under a place of it.

Reading works without script: the server draws the overlay, and places can be typed. Script adds pointing.
"""

from __future__ import annotations

import io
import math
import threading
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from flask import Blueprint, Response, abort, current_app, flash, redirect, render_template, request, url_for
from markupsafe import Markup
from PIL import Image
from werkzeug.wrappers import Response as AnyResponse

from lastlook import locate, marking, overlay, template, viewing
from lastlook.catalogue import decisions, pictures
from lastlook.errors import ArchiveError, UsageError
from lastlook.locate import Carried, Located
from lastlook.plan import structure
from lastlook.records import Dimension
from lastlook.registration import change
from lastlook.registration.band import CAUTION
from lastlook.registration.plane import PlaneMap
from lastlook_web import given, taking_back
from lastlook_web.app import store
from lastlook_web.drawing import EDGE, drawn_size

pages = Blueprint("locating", __name__)

_KEPT = 6
_MOST_CHOICES = 60


@dataclass
class Answers:
    """The last few located answers: an overlay, a template and a see-through picture of one answer ask for it anew."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    kept: OrderedDict[tuple[object, ...], Located] = field(default_factory=OrderedDict)


@dataclass(frozen=True, slots=True)
class Row:
    """One carried mark as the page lists it, with how near it is to the place asked for, None where none was.

    `depth` in words; `planned` the id whose depth in the plan was taken, '' for none; `unknown` where none is known,
    and `wider` by how many mm to each side the band is wider for it.
    """

    name: str
    title: str
    colour: str
    half: float | None
    worst: float | None
    parts: str
    depth: str
    planned: str
    unknown: bool
    wider: float | None
    length: float | None
    to_line: float | None = None
    to_band: float | None = None


# ------------------------------------------------------------------------------------------------ the answer


@pages.get("/locate")
def page() -> str | tuple[str, int]:
    """Choose a run and a picture of the finished skin; see where it passes."""
    return _page()


@pages.post("/locate")
def change_depth() -> AnyResponse | tuple[str, int]:
    """Say how deep something lies, or take that back (`uid`); the address says of which answer."""
    form = request.form
    try:
        if form.get("uid"):
            decision, root = taking_back.root_of(store(), form["uid"])
            if root.kind != "known" or root.body.get("what") != "depth":
                raise UsageError("that is no depth", "Load the page again.")
            flash(taking_back.take_back(store(), decision.uid, ())[1])
        else:
            of = given.field(form, "of")
            if not of:
                raise UsageError("it is not said of what the depth is", "Give a run, subassembly or opening.")
            mm = given.needed(form.get("mm", ""), "the depth", "mm")
            within = given.number(form.get("within", ""), "its error", "mm")
            marking.know_depth(store(), of, mm, 1.0 if within is None else within)
            flash(f"The depth of {of} is kept.")
    except given.WRONG as error:
        shown = _page(form, given.at_fault(error))
        return (shown, given.code_of(error)) if isinstance(shown, str) else shown
    asked = _asked()
    where = url_for("locating.page", what=asked["what"], on=asked["on"], inside=asked["inside"], _anchor="depth")
    return redirect(where, 303)


def _page(typed: Mapping[str, str] | None = None, wrong_depth: str = "") -> str | tuple[str, int]:
    asked = _asked()
    found, on, wrong, code = None, None, "", 200
    try:
        on = viewing.picture(store(), asked["on"]) if asked["on"] else None
        if asked["what"] and asked["on"]:
            found = _located(**asked)
    except given.WRONG as error:
        wrong, code = given.at_fault(error), given.code_of(error)
    except ArchiveError as error:  # a picture that it needs is gone; another one may be chosen here
        wrong, code = given.at_fault(error), 404
    answer = _answer(found, asked) if found is not None else {}
    if answer.get("wrong_place"):
        code = 400
    page = render_template(
        "locate.html",
        found=found,
        on=on,
        wanted=asked,
        wrong=wrong,
        marked=_marked_runs(),
        caution=CAUTION,
        said=request.args,
        **answer,
        typed={"within": "1", **(typed or {})},
        wrong_depth=wrong_depth,
    )
    return (page, code) if code != 200 else page


def _asked() -> dict[str, str]:
    return {name: request.args.get(name, "").strip() for name in ("what", "on", "inside")}


def _answer(found: Located, asked: Mapping[str, str]) -> dict[str, Any]:
    """What the template needs of an answer."""
    place, near, wrong_place = None, list[locate.Under](), ""
    try:
        place = given.place(request.args.get("x", ""), request.args.get("y", ""))
        near = locate.under(found, place) if place is not None else []
    except UsageError as error:
        place, wrong_place = None, given.at_fault(error)
    parts, bar, scale = overlay.drawn(found)
    w, h = drawn_size(found.outside)
    rows = _rows(found, near)
    depths = _depths(found)
    return {
        "refusal": found.refusal,
        "shapes": Markup("\n".join(overlay.shapes(parts, bar))),  # numbers, and words escaped there
        "rows": rows,
        "names": ", ".join(dict.fromkeys(row.name for row in rows)) or asked["what"],
        "width": w,
        "height": h,
        "scale": scale,
        "place": place,
        "wrong_place": wrong_place,
        "at": (place[0] * scale, place[1] * scale) if place is not None else None,
        "registration": found.registration,
        "error": _error_px(found),
        "others": found.others,
        "depths": depths,
        "depth_back": _depth_back(found),
    }


@pages.get("/locate/overlay.<kind>")
def drawing(kind: str) -> Response:
    """The overlay as png or svg, or the template as pdf, to keep."""
    found = _located(**_asked())
    if not found.carried:
        abort(404)
    name = f"{found.carried[0].mark.of or 'mark'}-on-{found.outside.id}"
    if kind == "png":
        data, mime = overlay.png(found), "image/png"
    elif kind == "svg":
        data, mime = overlay.svg(found).encode("utf-8"), "image/svg+xml"
    elif kind == "pdf":
        mirror = request.args.get("mirror") == "1"
        paper = request.args.get("paper", "A4")
        data, mime = template.pdf(store(), found, mirror=mirror, paper=paper), "application/pdf"
        name += "-mirrored" if mirror else ""
    else:
        abort(404)
    response = Response(data, mimetype=mime)
    response.headers["Content-Disposition"] = f'attachment; filename="{name}.{kind}"'
    response.headers["Cache-Control"] = "private, no-cache"
    return response


@pages.get("/locate/through.jpg")
def through() -> Response:
    """The inside picture laid over the outside one, along the skin."""
    found = _located(**_asked())
    registration = found.registration
    if not isinstance(registration.found, PlaneMap):
        abort(404)
    inner = np.asarray(np.linalg.inv(registration.pixel_map()[0]), dtype=np.float64)
    rgb, _ = change.align(registration.inside.rgb, inner, registration.outside.size, EDGE)
    return _jpeg(rgb)


# ------------------------------------------------------------------------------------------------ helpers


def _located(what: str, on: str, inside: str) -> Located:
    if not what or not on:
        abort(404)
    answers: Answers = current_app.extensions.setdefault("lastlook-located", Answers())
    key = (what, on, inside, decisions.last_seq(store().catalogue))
    with answers.lock:
        kept = answers.kept.get(key)
        if kept is not None:
            answers.kept.move_to_end(key)
            return kept
    found = locate.locate(store(), what, on, inside=inside)
    with answers.lock:
        answers.kept[key] = found
        while len(answers.kept) > _KEPT:
            answers.kept.popitem(last=False)
    return found


def _rows(found: Located, near: list[locate.Under]) -> list[Row]:
    by_mark = {each.carried.mark.decision: each for each in near}
    rows = [_row(each, by_mark.get(each.mark.decision)) for each in found.carried]
    return sorted(rows, key=lambda row: row.to_band if row.to_band is not None else math.inf)


def _row(each: Carried, under: locate.Under | None) -> Row:
    band = each.band
    parts = ""
    if band is not None:
        parts = (
            f"registration {np.median(band.registration):.1f}, depth {np.median(band.depth):.1f},"
            f" half bundle {band.half_bundle:.1f}, margin {band.margin:.1f}"
        )
    source, planned = _depth_source(each)
    without = np.median(band.registration) + band.half_bundle + band.margin if band is not None else 0.0
    return Row(
        each.mark.of or each.mark.label or "mark",
        each.title or ("no longer in the plan" if each.mark.of else ""),
        each.colour,
        float(np.median(band.half)) if band is not None else None,
        float(band.half.max()) if band is not None else None,
        parts,
        each.depth.basis,
        planned if source == "planned" else "",
        source == "unknown",
        float(np.median(band.half) - without) if band is not None else None,
        each.length_mm,
        under.to_line_mm if under else None,
        under.to_band_mm if under else None,
    )


def _depth_source(each: Carried) -> tuple[str, str]:
    """("unknown" | "planned" | "said", the id it is said of): what the depth that was taken rests on."""
    inside = pictures.find(store().catalogue, each.mark.picture)
    taken, _ = locate.depth_of(store(), each.mark.of, inside.counted(Dimension.SUBASSEMBLY))
    if taken != each.depth:
        return "said", ""  # seen from two sides
    for target in locate.depth_places(store(), each.mark.of):
        if any(known.what == "depth" for known in marking.knowns(store(), target)):
            return "said", target
        if locate.planned_depth(store(), target) is not None:
            return "planned", target
    return "unknown", ""


def _depth_targets(found: Located) -> list[str]:
    targets = [target for each in found.carried for target in locate.depth_places(store(), each.mark.of)]
    return list(dict.fromkeys(targets))


def _depths(found: Located) -> list[marking.Known]:
    """The depths that were said of anything that bears on this answer."""
    every = [known for target in _depth_targets(found) for known in marking.knowns(store(), target)]
    return [known for known in every if known.what == "depth"]


def _depth_back(found: Located) -> tuple[str, str] | None:
    """The depth taken back last: (what to give to set it again, what it was of)."""
    for target in _depth_targets(found):
        back = taking_back.last_taken_back(store(), (target,), ("known",))
        if back is not None and back[1].body.get("what") == "depth":
            return back[0], target
    return None


def _error_px(found: Located) -> float | None:
    got = found.registration.found
    return float(got.error_px.max()) / found.registration.outside.scale if isinstance(got, PlaneMap) else None


def _marked_runs() -> list[tuple[str, str]]:
    """What is traced on a picture, with its title."""
    plan = store().plan
    titles = {id: item.title for id, item in structure.items(plan).items()}
    seen: dict[str, str] = {}
    for each in decisions.live(store().catalogue, "mark"):
        of = str(each.body["of"])
        if of and each.body["shape"] in ("trace", "point"):
            seen[of] = titles.get(of, "no longer in the plan")
    return sorted(seen.items())[:_MOST_CHOICES]


def _jpeg(rgb: Any) -> Response:
    buffer = io.BytesIO()
    Image.fromarray(rgb).save(buffer, "JPEG", quality=84)
    response = Response(buffer.getvalue(), mimetype="image/jpeg")
    response.headers["Cache-Control"] = "private, no-cache"
    return response
