"""A template of a located run to lay on the skin: PDF at 1:1, with points to line it up by and a bar for its size."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import reportlab
from numpy.typing import NDArray
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.units import mm
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from lastlook import marking
from lastlook.errors import UsageError
from lastlook.locate import Carried, Located
from lastlook.overlay import title_of
from lastlook.registration import band
from lastlook.registration.band import CAUTION
from lastlook.store import Store

Points = NDArray[np.float64]

PAPERS = {"A4": A4, "Letter": LETTER}
EDGE = 10.0  # mm that printers leave white
OVERLAP = 10.0  # mm that neighbouring sheets share
FOOT = 48.0  # mm below the drawing for bar and words
_FONT = "LastlookText"
_LEAST_LETTERS = 5.0  # points: what is to be read is made smaller before it runs off the sheet


@dataclass(frozen=True, slots=True)
class _By:
    """What a template is lined up by: marked points, the model's outline."""

    anchors: bool
    outline: bool


def pdf(store: Store, found: Located, *, mirror: bool = False, paper: str = "A4") -> bytes:
    """The template. `mirror` turns it over, for the opposite half of the model. Raises UsageError without scale."""
    registration = found.registration
    cameras = registration.cameras
    bands = [(each, each.band) for each in found.carried if each.band is not None]
    if cameras is None or not cameras.scaled or not bands:
        raise UsageError(
            "a template at full size needs a known length on the skin",
            "Give one with 'lastlook known length PICTURE X,Y X,Y MM', or lay a card on the model.",
        )
    if paper not in PAPERS:
        raise UsageError(f"there is no paper {paper!r}", f"Papers are: {', '.join(PAPERS)}.")
    turn = np.array([-1.0, 1.0]) if mirror else np.array([1.0, 1.0])
    outline = _outline(store, found)
    anchors, names = _anchors(found)
    everything = np.vstack([*(each.edge for _, each in bands), anchors, *([outline] if outline is not None else [])])
    everything = everything[np.isfinite(everything).all(axis=1)] * turn
    low, high = everything.min(axis=0) - 6, everything.max(axis=0) + 6
    if (high - low).max() > 3000:
        raise UsageError("the drawing would be larger than 3 m", "Check the known length.")
    size = _page(high - low, PAPERS[paper])
    room = np.array([size[0] / mm - 2 * EDGE, size[1] / mm - 2 * EDGE - FOOT])
    step = room - OVERLAP
    across, down = (max(1, math.ceil((span - OVERLAP) / each)) for span, each in zip(high - low, step, strict=True))
    if _FONT not in pdfmetrics.getRegisteredFontNames():
        pdfmetrics.registerFont(TTFont(_FONT, str(Path(reportlab.__file__).parent / "fonts" / "Vera.ttf")))
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=size, invariant=1)
    canvas.setTitle(f"Template 1:1: {title_of(found)}")
    canvas.setCreator("lastlook")
    sheets = across * down
    for row in range(down):
        for column in range(across):
            origin = low + np.array([column, row]) * step
            _sheet(canvas, size, room, origin, turn, bands, outline, anchors, names)
            if sheets > 1:
                _crosses(canvas, size, room)
            number = row * across + column + 1
            name = f"sheet {number} of {sheets}, row {row + 1} column {column + 1}"
            by = _By(len(anchors) > 0, outline is not None)
            _foot(canvas, size, found, bands, mirror, name, by, sheets)
            canvas.showPage()
    canvas.save()
    return out.getvalue()


def _sheet(
    canvas: Canvas,
    size: tuple[float, float],
    room: Points,
    origin: Points,
    turn: Points,
    bands: list[tuple[Carried, band.Band]],
    outline: Points | None,
    anchors: Points,
    names: list[str],
) -> None:
    top = size[1] - EDGE * mm

    def place(points: Points) -> Points:
        at = points * turn - origin
        return np.column_stack([(EDGE + at[:, 0]) * mm, top - at[:, 1] * mm])

    canvas.saveState()
    frame = canvas.beginPath()
    frame.rect(EDGE * mm, top - float(room[1]) * mm, float(room[0]) * mm, float(room[1]) * mm)
    canvas.clipPath(frame, stroke=0)
    if outline is not None:
        canvas.setLineWidth(0.25 * mm)
        canvas.setDash(6, 2)
        _polyline(canvas, place(outline), close=True)
        canvas.setDash()
    canvas.setFillGray(0.88)
    for _, each in bands:  # all of them first: none may hide another one's line
        canvas.setLineWidth(0.2 * mm)
        _polyline(canvas, place(each.edge), close=True, fill=True)
    canvas.setFillGray(0)
    for carried, each in bands:
        line = place(each.skin)
        canvas.setLineWidth(0.35 * mm)
        if len(line) > 1:
            _polyline(canvas, line)
        else:
            canvas.circle(float(line[0, 0]), float(line[0, 1]), 1 * mm)
        mark = carried.mark
        x, y = line[len(line) // 2]
        canvas.setFont(_FONT, 9)
        canvas.drawString(float(x) + 2 * mm, float(y) + 2 * mm, f"{mark.of or mark.label or 'mark'}")
    canvas.setFont(_FONT, 7)
    for (x, y), name in zip(place(anchors), names, strict=True):
        canvas.setLineWidth(0.2 * mm)
        canvas.line(float(x) - 4 * mm, float(y), float(x) + 4 * mm, float(y))
        canvas.line(float(x), float(y) - 4 * mm, float(x), float(y) + 4 * mm)
        canvas.circle(float(x), float(y), 1.5 * mm)
        canvas.drawString(float(x) + 2 * mm, float(y) - 3.5 * mm, name)
    canvas.restoreState()


def _foot(
    canvas: Canvas,
    size: tuple[float, float],
    found: Located,
    bands: list[tuple[Carried, band.Band]],
    mirror: bool,
    sheet: str,
    by: _By,
    sheets: int,
) -> None:
    left, base = EDGE * mm, (EDGE + FOOT - 8) * mm
    canvas.setLineWidth(0.3 * mm)
    for n in range(5):
        canvas.setFillGray(0 if n % 2 == 0 else 1)
        canvas.rect(left + n * 10 * mm, base, 10 * mm, 3 * mm, fill=1)
    canvas.setFillGray(0)
    canvas.setFont(_FONT, 8)
    canvas.drawString(
        left + 54 * mm, base + 0.6 * mm, "50 mm: measure this bar with a rule before use; print at 100 %."
    )
    legend = "Crosses in circles: points to line up by." if by.anchors else ""
    if by.outline:
        legend += " Dashed: outline." if by.anchors else "Dashed: outline, to line up by."
    legend = legend or "Nothing is drawn to line it up by: tie places on the skin, or draw the model's outline."
    legend += " Thin crosses: where sheets meet." if sheets > 1 else ""
    halves = ", ".join(
        f"{each.mark.of or each.mark.label or 'mark'} ±{float(np.median(one.half)):.1f} mm (up to {one.half.max():.1f})"
        for each, one in bands
    )
    lines = [
        f"{title_of(found)}: {sheet}." + (" MIRRORED, for the opposite half." if mirror else " As seen from outside."),
        f"Grey: keep-out band. {halves}. {legend}",
        CAUTION,
        f"From {found.inside.id} onto {found.outside.id}."
        " The skin is taken as flat: on curved skin it holds near what it is lined up by.",
        *([" ".join(found.said)] if found.said else []),  # whoever drills by the sheet reads what the answer rests on
    ]
    width = size[0] - 2 * EDGE * mm
    parts: list[str] = []
    letters, step = 7.5, 3.5
    while letters > _LEAST_LETTERS:
        parts = [part for line in lines for part in simpleSplit(line, _FONT, letters, width)]
        if 4.5 + len(parts) * step <= FOOT - 8:
            break
        letters, step = letters - 0.5, step - 0.25
    y = base - 4.5 * mm
    canvas.setFont(_FONT, letters)
    for part in parts:
        canvas.drawString(left, y, part)
        y -= step * mm


def _crosses(canvas: Canvas, size: tuple[float, float], room: Points) -> None:
    """Where neighbouring sheets meet: half an overlap in from each corner of the drawing."""
    top = size[1] - EDGE * mm
    for x in (OVERLAP / 2, float(room[0]) - OVERLAP / 2):
        for y in (OVERLAP / 2, float(room[1]) - OVERLAP / 2):
            px, py = (EDGE + x) * mm, top - y * mm
            canvas.setLineWidth(0.1 * mm)
            canvas.line(px - 3 * mm, py, px + 3 * mm, py)
            canvas.line(px, py - 3 * mm, px, py + 3 * mm)


def _polyline(canvas: Canvas, points: Points, *, close: bool = False, fill: bool = False) -> None:
    points = points[np.isfinite(points).all(axis=1)]
    if len(points) < 2:
        return
    path = canvas.beginPath()
    path.moveTo(float(points[0, 0]), float(points[0, 1]))
    for x, y in points[1:]:
        path.lineTo(float(x), float(y))
    if close:
        path.close()
    canvas.drawPath(path, stroke=1, fill=int(fill))


def _page(span: Points, paper: tuple[float, float]) -> tuple[float, float]:
    """The paper upright or turned, whichever needs fewer sheets."""

    def sheets(size: tuple[float, float]) -> int:
        room = np.array(size) / mm - [2 * EDGE, 2 * EDGE + FOOT] - OVERLAP
        return int(np.prod(np.maximum(1, np.ceil((span - OVERLAP) / room))))

    turned = (paper[1], paper[0])
    return turned if sheets(turned) < sheets(paper) else paper


def _outline(store: Store, found: Located) -> Points | None:
    """The model's outline on the skin, mm: drawn on the outside picture, else carried from the inside one."""
    registration = found.registration
    if registration.cameras is None:
        return None
    setup = registration.cameras.best
    drawn = marking.outline(store, found.outside.id)
    if drawn is not None:
        return band.pixels_on_skin(setup, setup.lens_b.straighten(registration.outside.to_work(drawn)))
    drawn = marking.outline(store, found.inside.id)
    if drawn is None:
        return None
    at = setup.lens_a.straighten(registration.inside.to_work(drawn))
    return band.on_skin(setup, setup.skin_from_a(at))


def _anchors(found: Located) -> tuple[Points, list[str]]:
    """Marked places to line the template up by, mm; without any, nothing."""
    registration = found.registration
    used = getattr(registration.found, "ties", None)
    if registration.cameras is None or used is None:
        return np.zeros((0, 2)), []
    keep = np.flatnonzero([each.value != "feature" for each in used.source])[:24]
    if not len(keep):
        return np.zeros((0, 2)), []
    return band.pixels_on_skin(registration.cameras.best, used.b[keep]), [used.name[n] for n in keep]
