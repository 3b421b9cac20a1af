"""Find on the exterior: draw on a picture, tie two pictures, and see what is under a place of the finished skin.

Reading works without script: the server draws the overlay, and places can be typed. Script adds pointing.
"""

from __future__ import annotations

import io
import math
import threading
from collections import OrderedDict
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from flask import (
    Blueprint,
    Response,
    abort,
    current_app,
    flash,
    jsonify,
    redirect,
    render_template,
    request,
    url_for,
)
from markupsafe import Markup
from PIL import Image
from werkzeug.wrappers import Response as AnyResponse

from lastlook import deciding, locate, marking, measuring, overlay, picturing, registering, template, viewing
from lastlook.catalogue import decisions
from lastlook.errors import UsageError
from lastlook.locate import Located
from lastlook.records import Picture
from lastlook.registration import change, trace
from lastlook.registration.band import CAUTION
from lastlook.registration.plane import PlaneMap, Refusal
from lastlook.registration.ties import TieSource
from lastlook_web.app import store

pages = Blueprint("locating", __name__)

EDGE = overlay.EDGE
_KEPT = 6
_MOST_CHOICES = 60


@dataclass
class Answers:
    """The last few located answers: an overlay, a template and a see-through picture of one answer ask for it anew."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    kept: OrderedDict[tuple[object, ...], Located] = field(default_factory=OrderedDict)


@dataclass(frozen=True, slots=True)
class Row:
    """One carried mark as the page lists it, with how near it is to the place asked for, None where none was."""

    name: str
    title: str
    colour: str
    half: float | None
    worst: float | None
    parts: str
    depth: str
    length: float | None
    to_line: float | None = None
    to_band: float | None = None


# ------------------------------------------------------------------------------------------------ the answer


@pages.get("/locate")
def page() -> str:
    """Choose a run and a picture of the finished skin; see where it passes."""
    what, on, inside = (request.args.get(name, "").strip() for name in ("what", "on", "inside"))
    marked = _marked_runs()
    if not what or not on:
        chosen = viewing.picture(store(), on) if on else None
        return render_template(
            "locate.html", found=None, marked=marked, what=what, on=chosen, inside=inside, caution=CAUTION
        )
    found = _located(what, on, inside)
    place = _place()
    near = locate.under(found, place) if place is not None else []
    parts, bar, scale = overlay.drawn(found)
    w, h = _drawn_size(found.outside)
    return render_template(
        "locate.html",
        found=found,
        marked=marked,
        what=what,
        on=found.outside,
        inside=inside,
        caution=CAUTION,
        refusal=found.refusal,
        shapes=Markup("\n".join(overlay.shapes(parts, bar))),  # numbers, and words escaped there
        rows=_rows(found, near) if place is not None else _rows(found, []),
        width=w,
        height=h,
        scale=scale,
        place=place,
        at=(place[0] * scale, place[1] * scale) if place is not None else None,
        registration=found.registration,
        error=_error_px(found),
        others=found.others,
    )


@pages.get("/locate/overlay.<kind>")
def drawing(kind: str) -> Response:
    """The overlay as png or svg, or the template as pdf, to keep."""
    found = _located(*(request.args.get(name, "").strip() for name in ("what", "on", "inside")))
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
    found = _located(*(request.args.get(name, "").strip() for name in ("what", "on", "inside")))
    registration = found.registration
    if not isinstance(registration.found, PlaneMap):
        abort(404)
    inner = np.asarray(np.linalg.inv(registration.found.matrix), dtype=np.float64)
    rgb, _ = change.align(registration.inside.rgb, inner, registration.outside.size, EDGE)
    return _jpeg(rgb)


# ------------------------------------------------------------------------------------------------ drawing


@pages.get("/draw/<id>")
def draw(id: str) -> str:
    """One picture with what is drawn on it, and forms to draw more."""
    picture = viewing.picture(store(), id)
    w, h = _drawn_size(picture)
    scale = w / picture.width
    found = marking.marks(store(), picture.id)
    known = [each for each in marking.knowns(store(), picture.id) if each.what in ("length", "plane")]
    plan = store().plan
    scaled = measuring.scale_of(store(), picture)
    sizes = {
        each.decision: measuring.measured(scaled, each.points.tolist())[0]
        for each in found
        if scaled is not None and each.shape in ("trace", "dimension") and len(each.points) >= 2
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
    )


@pages.post("/draw/<id>/mark")
def add_mark(id: str) -> AnyResponse:
    picture = viewing.picture(store(), id)
    shape = request.form.get("shape", "")
    points: Any = _points(request.form.get("points", ""))
    if request.form.get("follow") and shape == "trace":
        loaded = picturing.load(store(), picture)
        try:
            followed = trace.follow(loaded.rgb, loaded.to_work(np.array(points, dtype=np.float64).reshape(-1, 2)))
        except ValueError as error:
            raise UsageError(str(error), "Point at two or more places on the wire.") from None
        points = loaded.to_full(followed.line)
        if followed.likeness < 0.5:
            flash("It may have left the wire somewhere: look at it, take it back, and give a point more where it did.")
    done = marking.mark(store(), picture.id, shape, points, request.form.get("of", ""), request.form.get("label", ""))
    flash(f"Drawn: {done.shape}{' of ' + done.of if done.of else ''}.")
    return redirect(url_for("locating.draw", id=picture.id), 303)


@pages.post("/draw/<id>/known")
def add_known(id: str) -> AnyResponse:
    picture = viewing.picture(store(), id)
    points = _points(request.form.get("points", ""))
    marking.know_length(store(), picture.id, points, _number("mm"), _number("within", 0.5))
    flash("The length is kept.")
    return redirect(url_for("locating.draw", id=picture.id), 303)


@pages.post("/locate/depth")
def add_depth() -> AnyResponse:
    of = request.form.get("of", "").strip()
    marking.know_depth(store(), of, _number("mm"), _number("within", 1.0))
    flash(f"The depth of {of} is kept.")
    what, on, inside = (request.form.get(name, "") for name in ("what", "on", "inside"))
    return redirect(url_for("locating.page", what=what, on=on, inside=inside), 303)


@pages.post("/draw/undo")
def undo() -> AnyResponse:
    """Take back a mark, tie or known size; back to the picture or pair it was of."""
    uid = request.form.get("uid", "")
    decision = decisions.by_uid(store().catalogue, uid)
    if decision is None or decision.kind not in ("mark", "tie", "known"):
        raise UsageError("that is nothing drawn", "Load the page again.")
    body: Any = decision.body
    deciding.undo(store(), uid)
    flash("Taken back.")
    if decision.kind == "tie":
        return redirect(url_for("locating.ties", a=body["a"], b=body["b"]), 303)
    if body.get("picture"):
        return redirect(url_for("locating.draw", id=body["picture"]), 303)
    return redirect(url_for("locating.page"), 303)


# ------------------------------------------------------------------------------------------------ ties


@pages.get("/ties")
def ties() -> str:
    """Two pictures side by side, their ties, and how well each fits."""
    a, b = (viewing.picture(store(), request.args.get(name, "").strip()) for name in ("a", "b"))
    one, two, uids = marking.ties(store(), a.id, b.id)
    hung = _hung(a, b)
    sizes = [_drawn_size(each) for each in (a, b)]
    return render_template(
        "ties.html",
        a=a,
        b=b,
        sides=[
            (name, picture, size, size[0] / picture.width, at * (size[0] / picture.width))
            for name, picture, size, at in zip("ab", (a, b), sizes, (one, two), strict=True)
        ],
        rows=list(zip(one.tolist(), two.tolist(), uids, _residuals(hung, len(one)), strict=True)),
        **_state(hung),
    )


@pages.get("/ties/fit.json")
def fit() -> Response:
    """How a pair that is not kept yet would fit: for live residuals while pointing."""
    a, b = (viewing.picture(store(), request.args.get(name, "").strip()) for name in ("a", "b"))
    one, _, _ = marking.ties(store(), a.id, b.id)
    p, q = (_points(request.args.get(name, "")) for name in ("p", "q"))
    if len(p) != 1 or len(q) != 1:
        raise UsageError("a tie is one place in each picture", "Point at both.")
    hung = _hung(a, b, (np.array(p, dtype=np.float64), np.array(q, dtype=np.float64)))
    state = _state(hung)
    away = _residuals(hung, len(one) + 1)
    return jsonify(residuals=[None if each is None else round(each, 1) for each in away], said=state["said"])


@pages.post("/ties")
def add_tie() -> AnyResponse:
    a, b = (viewing.picture(store(), request.form.get(name, "").strip()) for name in ("a", "b"))
    p, q = (_points(request.form.get(name, "")) for name in ("p", "q"))
    if len(p) != 1 or len(q) != 1:
        raise UsageError("a tie is one place in each picture", "Point at both, or type X,Y for each.")
    marking.tie(store(), a.id, b.id, [[p[0], q[0]]])
    flash("The tie is kept.")
    return redirect(url_for("locating.ties", a=a.id, b=b.id), 303)


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


def _hung(a: Picture, b: Picture, extra: tuple[Any, Any] | None = None) -> registering.Registration:
    return registering.register(store(), picturing.load(store(), a), picturing.load(store(), b), extra)


def _residuals(hung: registering.Registration, count: int) -> list[float | None]:
    """Pixels of the full second picture by which each tie misses, None for those that were not used."""
    if not isinstance(hung.found, PlaneMap):
        return [None] * count
    away = dict(zip(hung.found.ties.name, hung.found.residuals, strict=True))
    return [float(away[f"tie {n + 1}"]) / hung.outside.scale if f"tie {n + 1}" in away else None for n in range(count)]


def _state(hung: registering.Registration) -> dict[str, object]:
    found = hung.found
    if isinstance(found, Refusal):
        return {"registered": False, "said": [f"Not registered: {found.why}.", f"What would help: {found.help}."]}
    matched = int(found.ties.of(TieSource.FEATURE).sum())
    error = max(0.1, float(found.error_px.max()) / hung.outside.scale)
    words = [f"Registered; the place is known to about {error:.1f} px."]
    if matched:
        words.append(f"{matched} more places match by themselves.")
    return {"registered": True, "said": [*words, *(f"{line}." for line in found.said)]}


def _rows(found: Located, near: list[locate.Under]) -> list[Row]:
    by_mark = {each.carried.mark.decision: each for each in near}
    rows = []
    for each in found.carried:
        band, under = each.band, by_mark.get(each.mark.decision)
        parts = ""
        if band is not None:
            parts = (
                f"registration {np.median(band.registration):.1f}, depth {np.median(band.depth):.1f},"
                f" half bundle {band.half_bundle:.1f}, margin {band.margin:.1f}"
            )
        rows.append(
            Row(
                each.mark.of or each.mark.label or "mark",
                each.title,
                each.colour,
                float(np.median(band.half)) if band is not None else None,
                float(band.half.max()) if band is not None else None,
                parts,
                each.depth.basis,
                each.length_mm,
                under.to_line_mm if under else None,
                under.to_band_mm if under else None,
            )
        )
    return sorted(rows, key=lambda row: row.to_band if row.to_band is not None else math.inf)


def _error_px(found: Located) -> float | None:
    got = found.registration.found
    return float(got.error_px.max()) / found.registration.outside.scale if isinstance(got, PlaneMap) else None


def _marked_runs() -> list[tuple[str, str]]:
    titles = {each.id: each.title for each in store().plan.runs} | {each.id: each.title for each in store().plan.parts}
    seen: dict[str, str] = {}
    for each in decisions.live(store().catalogue, "mark"):
        of = str(each.body["of"])
        if of and each.body["shape"] in ("trace", "point"):
            seen[of] = titles.get(of, "no longer in the plan")
    return sorted(seen.items())[:_MOST_CHOICES]


def _drawn_size(picture: Picture) -> tuple[int, int]:
    scale = min(1.0, EDGE / max(picture.width, picture.height))
    return max(1, round(picture.width * scale)), max(1, round(picture.height * scale))


def _place() -> tuple[float, float] | None:
    x, y = request.args.get("x", ""), request.args.get("y", "")
    if not x and not y:
        return None
    try:
        place = float(x), float(y)
    except ValueError:
        raise UsageError("a place is two numbers", "Give pixels of the picture, x and y.") from None
    if not all(math.isfinite(each) for each in place):
        raise UsageError("a place is two numbers", "Give pixels of the picture, x and y.")
    return place


def _points(text: str) -> list[list[float]]:
    out = []
    for word in text.replace(";", " ").split()[: marking.MOST_POINTS + 1]:
        x, _, y = word.partition(",")
        try:
            out.append([float(x), float(y)])
        except ValueError:
            raise UsageError(f"{word!r} is no point", "Give points as X,Y, with a blank between points.") from None
    return out


def _number(name: str, default: float | None = None) -> float:
    text = request.form.get(name, "").strip().replace(",", ".")
    if not text and default is not None:
        return default
    try:
        return float(text)
    except ValueError:
        raise UsageError(f"{text!r} is no number of millimetres", "Give a number.") from None


def _svg_points(points: Any) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)


def _jpeg(rgb: Any) -> Response:
    buffer = io.BytesIO()
    Image.fromarray(rgb).save(buffer, "JPEG", quality=84)
    response = Response(buffer.getvalue(), mimetype="image/jpeg")
    response.headers["Cache-Control"] = "private, no-cache"
    return response
