"""What is drawn on a picture: kept, taken back, listed in words, drawn, and measured in mm where there is a scale.

Addresses and forms speak of places as shares of the upright picture, 0..1 from its top left corner; the record keeps
pixels (see `lastlook.marking`). Each change answers a plain form with a page, and script with what to draw now.
"""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from flask import Blueprint, current_app, flash, jsonify, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from lastlook import deciding, marking, measuring, picturing, viewing
from lastlook.cards import layout
from lastlook.catalogue import decisions
from lastlook.errors import ArchiveError, UsageError
from lastlook.plan import colours, structure
from lastlook.records import Picture
from lastlook.registration import trace
from lastlook.registration.measure import Measure, Scale
from lastlook_web import given
from lastlook_web.app import store

pages = Blueprint("marks", __name__)

Answer = Response | tuple[Response | str, int]

SHAPES = {"trace": "Trace", "point": "Point", "region": "Region", "dimension": "Dimension"}
_SHOWN_WIDTH = 760.0  # CSS pixels a picture is wide, about, where no script says it better
_MOST_SCALES = 32
# A dash for each colour, so that lines differ where colours cannot be told apart. Own; no standard has any.
_DASHES = {"BK": "", "BN": "16 4", "RD": "10 4", "OG": "6 4", "YE": "3 4", "GN": "16 4 4 4", "BU": "10 3 2 3",
           "VT": "6 3 2 3", "GY": "16 3 2 3 2 3", "WH": "2 6", "PK": "8 8", "GD": "14 8", "TQ": "4 8",
           "SR": "10 3 2 3 2 3", "GNYE": "16 4 4 4 4 4"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Drawn:
    """A mark or known length as it is drawn and listed. `points` are pixels of the upright picture, for SVG.

    `colour`, `tracer`: sRGB or ''; `dash`: its own pattern; `code`: the insulation in letters and words; `size`: its
    length or angle in words, '' where that was not asked for or there is no scale.
    """

    uid: str
    kind: str
    name: str
    title: str
    words: str
    by: str
    points: str
    first: tuple[float, float]
    closed: bool
    dot: bool
    colour: str = ""
    tracer: str = ""
    dash: str = ""
    code: str = ""
    size: str = ""
    known: bool = False


@dataclass(frozen=True, slots=True)
class Measured:
    """The scale of a picture, the lengths of its marks in words by decision, and in words why there is no scale though
    one was given."""

    scale: Scale | None = None
    sizes: Mapping[str, str] = field(default_factory=dict)
    doubt: str = ""


@dataclass
class Scales:
    """Scales and lengths already found, by picture and state of the record: finding a marker takes a moment."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    kept: OrderedDict[tuple[str, int], Measured] = field(default_factory=OrderedDict)


# ------------------------------------------------------------------------------------------------ shown


def drawn(picture: Picture, sizes: Mapping[str, str] | None = None) -> list[Drawn]:
    """Everything drawn on a picture, oldest first, then the lengths known on it."""
    plan = store().plan
    items = structure.items(plan)
    runs = {run.id: run for run in plan.runs}
    found = []
    for each in marking.marks(store(), picture.id):
        run = runs.get(each.of)
        coloured = run is not None and colours.is_code(run.colour)
        found.append(
            Drawn(
                uid=each.decision,
                kind=each.shape,
                name=each.of or each.label or each.shape,
                title=items[each.of].title if each.of in items else "",
                words=each.label if each.of else "",
                by=each.by,
                points=_points_text(each.points),
                first=_first(each.points),
                closed=each.shape in ("region", "outline"),
                dot=each.shape == "point",
                colour=colours.BY_CODE[run.colour].srgb if run is not None and coloured else "",
                tracer=colours.BY_CODE[run.tracer].srgb if run is not None and colours.is_code(run.tracer) else "",
                dash=_DASHES.get(run.colour, "") if run is not None and coloured else "2 4",
                code=f"{colours.label(run.colour, run.tracer)} {colours.spoken(run.colour, run.tracer)}"
                if run is not None and coloured
                else "",
                size=(sizes or {}).get(each.decision, ""),
            )
        )
    for known in marking.knowns(store(), picture.id):
        if known.points is not None:
            what = f"{known.mm:g} mm" if known.what == "length" else f"{len(known.points)} places in mm"
            found.append(
                Drawn(
                    uid=known.decision,
                    kind="known length" if known.what == "length" else "known places",
                    name=what,
                    title="",
                    words=f"within ± {known.within:g} mm" if known.what == "length" else "",
                    by="",
                    points=_points_text(known.points),
                    first=_first(known.points),
                    closed=False,
                    dot=False,
                    known=True,
                )
            )
    return found


def unit(picture: Picture) -> float:
    """Pixels of the picture for one of the page, about: for what keeps its size on the screen."""
    return max(picture.width, 1) / _SHOWN_WIDTH


@dataclass(frozen=True, slots=True)
class Refused:
    """A form that could not be kept: which (`mark`, `known`, `card`, `back`), why in words, and what was typed."""

    act: str = ""
    why: str = ""
    typed: Mapping[str, str] = field(default_factory=dict)


def shown(picture: Picture, *, measure: bool, refused: Refused | None = None) -> dict[str, Any]:
    """What the templates of marks need. `measure`: find lengths too, which may take a moment; else those found."""
    key = picture.id, decisions.last_seq(store().catalogue)
    kept = _scales().kept.get(key)
    if kept is None and measure:
        kept = _measured(picture)
        with _scales().lock:
            _scales().kept[key] = kept
            while len(_scales().kept) > _MOST_SCALES:
                _scales().kept.popitem(last=False)
    found = kept or Measured()
    return {
        "drawn": drawn(picture, found.sizes),
        "unit": unit(picture),
        "measured": kept is not None,
        "scale": found.scale,
        "doubt": found.doubt,
        "has_scale": found.scale is not None if kept is not None else _says_scale(picture),
        "cards": [each for each in marking.knowns(store(), picture.id) if each.what == "marker"],
        "card_mm": layout.MARKER,
        "refused": refused or Refused(),
    }


def _says_scale(picture: Picture) -> bool:
    """Whether anything was said that may give a scale; whether it does is found by looking."""
    about = [*marking.knowns(store(), picture.id), *marking.knowns(store(), "marker")]
    return any(each.what in ("length", "plane", "marker") for each in about)


def _measured(picture: Picture) -> Measured:
    if not _says_scale(picture):
        return Measured()
    try:
        scale = measuring.scale_of(store(), picture)
    except UsageError as error:
        return Measured(doubt=f"{error.message}. {error.hint}")
    except ArchiveError:  # the picture cannot be read: what is drawn is kept and listed all the same, without mm
        scale = None
    if scale is None:
        return Measured()
    sizes: dict[str, str] = {}
    for each in marking.marks(store(), picture.id):
        if each.shape in ("trace", "dimension") and len(each.points) >= 2:
            size = measuring.size_of(scale, each.points.tolist())
            if size is not None:
                sizes[each.decision] = _said(*size, angled=each.shape == "dimension")
    return Measured(scale, sizes)


def _said(length: Measure, angle: Measure | None, *, angled: bool) -> str:
    words = f"{length.value:.1f} mm ± {length.within:.1f} mm"
    if angle is not None and angled:
        words += f", angle {angle.value:.1f}° ± {angle.within:.1f}°"
    return words


# ------------------------------------------------------------------------------------------------ asked by script


@pages.get("/picture/<id>/marks")
def now(id: str) -> Response:
    """What is drawn now, with lengths."""
    return jsonify(_now(viewing.picture(store(), id)))


@pages.get("/picture/<id>/mm")
def length(id: str) -> Response:
    """How long a line that is not kept yet is."""
    picture = viewing.picture(store(), id)
    scale = shown(picture, measure=True)["scale"]
    if scale is None:
        return jsonify(said="")
    points = _places(picture, request.args.get("points", ""))
    if len(points) < 2:
        return jsonify(said="")
    size = measuring.size_of(scale, points)
    return jsonify(said=_said(*size, angled=True) if size is not None else "")


def _now(picture: Picture) -> dict[str, str]:
    state = shown(picture, measure=True)
    return {name: render_template("marks.html", part=name, picture=picture, **state) for name in ("svg", "list", "mm")}


# ------------------------------------------------------------------------------------------------ changes


@pages.post("/picture/<id>/mark")
def add(id: str) -> Answer:
    """Keep a mark: `shape`, `points` in shares, `of` an id of the plan, `label`, and `follow` for a wire."""
    picture = viewing.picture(store(), id)

    def keep() -> tuple[str, str]:
        shape = request.form.get("shape", "")
        if shape not in SHAPES:
            raise UsageError(f"there is no mark {shape!r}" if shape else "nothing was chosen to draw", "Choose one.")
        points: Any = _places(picture, request.form.get("points", ""))
        doubt = ""
        if request.form.get("follow") and shape == "trace":
            points, doubt = _followed(picture, points)
        made = marking.mark(
            store(), picture.id, shape, points, request.form.get("of", ""), request.form.get("label", "")
        )
        return made.decision, f"Kept: {made.shape}{' of ' + made.of if made.of else ''}.{doubt}"

    return _changed(picture, "mark", keep)


@pages.post("/picture/<id>/known")
def know(id: str) -> Answer:
    """Keep a known length (`points`: its two ends, `mm`, `within`), or that a bench card lies on the model (`card`)."""
    picture = viewing.picture(store(), id)

    def keep() -> tuple[str, str]:
        if request.form.get("card"):
            edge = given.needed(request.form.get("mm", ""), "the edge of its squares", "mm")
            said = marking.know_marker(store(), "card", edge, picture=picture.id)
            return said.uid, "Kept: a bench card lies on the model in this picture."
        points = _places(picture, request.form.get("points", ""))
        if len(points) != 2:
            raise UsageError(
                "a known length has two ends", "Draw a dimension with two points, then say how long it is."
            )
        mm = given.needed(request.form.get("mm", ""), "the length", "mm")
        within = given.number(request.form.get("within", ""), "its error", "mm")
        said = marking.know_length(store(), picture.id, points, mm, 0.5 if within is None else within)
        if shown(picture, measure=True)["scale"] is None:
            return said.uid, "The length is kept, but nothing is measured by it yet: see below."
        return said.uid, "The length is kept: it is this picture's scale."

    return _changed(picture, "card" if request.form.get("card") else "known", keep)


@pages.post("/picture/<id>/mark/undo")
def undo(id: str) -> Answer:
    """Take back a mark or known size of this picture, or the taking back of one."""
    picture = viewing.picture(store(), id)

    def take_back() -> tuple[str, str]:
        uid = request.form.get("uid", "")
        decision = decisions.by_uid(store().catalogue, uid)
        root = decision
        while root is not None and root.undoes:
            root = decisions.by_uid(store().catalogue, root.undoes)
        if (
            decision is None
            or root is None
            or root.kind not in ("mark", "known")
            or root.body.get("picture") != picture.id
        ):
            raise UsageError("that is nothing drawn on this picture", "Load the page again.")
        _, made = deciding.undo(store(), uid)
        return made.uid, "Drawn again." if decision.undoes else "Taken back."

    return _changed(picture, "back", take_back)


def _changed(picture: Picture, act: str, change: Callable[[], tuple[str, str]]) -> Answer:
    """Do it, and answer as was asked: script with what to draw and list now, a form with the page. What cannot be
    kept comes back in its form, as it was typed."""
    from lastlook_web import pictures  # it shows what is drawn here, so it stands above

    by_script = request.accept_mimetypes.best_match(["text/html", "application/json"]) == "application/json"
    try:
        uid, said = change()
    except given.WRONG as error:
        why = given.at_fault(error)
        if by_script:
            return jsonify(said=why), 400
        return pictures.sheet(picture.id, Refused(act, why, request.form)), 400
    if by_script:
        return jsonify(uid=uid, said=said, **_now(picture))
    flash(said)
    return redirect(url_for("pictures.page", id=picture.id, _anchor="marks"), 303)


def _followed(picture: Picture, points: list[list[float]]) -> tuple[Any, str]:
    """The line along the wire between points, in full pixels, and a word where it may have left the wire."""
    loaded = picturing.load(store(), picture)
    try:
        found = trace.follow(loaded.rgb, loaded.to_work(np.array(points, dtype=np.float64).reshape(-1, 2)))
    except ValueError as error:
        raise UsageError(str(error), "Point at two or more places on the wire.") from None
    doubt = " It may have left the wire somewhere: look at it." if found.likeness < 0.5 else ""
    line = np.clip(loaded.to_full(found.line), -0.5, [picture.width - 0.5, picture.height - 0.5])
    return line, doubt


# ------------------------------------------------------------------------------------------------ helpers


def _places(picture: Picture, text: str) -> list[list[float]]:
    """Shares "x,y x,y" as pixels of the upright picture (middles of pixels are whole numbers)."""
    found = []
    for word in text.split()[: marking.MOST_POINTS + 1]:
        x, _, y = word.partition(",")
        try:
            place = float(x), float(y)
        except ValueError:
            raise UsageError("a place could not be read", "Give x,y in shares of the picture, 0 to 1.") from None
        if not all(math.isfinite(each) and -1e-6 <= each <= 1 + 1e-6 for each in place):
            raise UsageError("a place lies outside the picture", "Give x,y in shares of the picture, 0 to 1.")
        found.append([
            min(max(place[0], 0.0), 1.0) * picture.width - 0.5,
            min(max(place[1], 0.0), 1.0) * picture.height - 0.5,
        ])  # fmt: skip
    return found


def _points_text(points: Any) -> str:
    return " ".join(f"{x + 0.5:.1f},{y + 0.5:.1f}" for x, y in points)


def _first(points: Sequence[Any] | Any) -> tuple[float, float]:
    return round(float(points[0][0]) + 0.5, 1), round(float(points[0][1]) + 0.5, 1)


def _scales() -> Scales:
    found: Any = current_app.extensions.setdefault("lastlook-marks-scales", Scales())
    return found  # type: ignore[no-any-return]
