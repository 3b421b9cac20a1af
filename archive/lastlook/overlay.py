"""A located run as a picture, as a drawing over it, and as a template to lay on the skin at full size."""

from __future__ import annotations

import base64
import io
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from lastlook.locate import Carried, Located
from lastlook.plan import colours
from lastlook.registration import band
from lastlook.registration.band import CAUTION

Points = NDArray[np.float64]

EDGE = 1600  # long edge of an overlay picture
_LETTER_PX = 8  # breadth of a letter of the caption, rather more than less
LIGHT, DARK = (255, 255, 255), (16, 24, 28)


@dataclass(frozen=True, slots=True)
class Drawn:
    """One mark ready to draw, in pixels of an overlay: its line, its band's edge or None, colour and words."""

    line: Points
    edge: Points | None
    colour: tuple[int, int, int]
    words: str


@dataclass(frozen=True, slots=True)
class Bar:
    """A scale bar: ends in pixels of the overlay, and what it stands for."""

    ends: Points
    mm: float


def drawn(found: Located, edge: int = EDGE) -> tuple[list[Drawn], Bar | None, float]:
    """What to draw on the outside picture reduced to `edge`, with the factor from full pixels."""
    outside = found.registration.outside
    scale = min(1.0, edge / max(outside.picture.width, outside.picture.height))
    parts = []
    for each in found.carried:
        rim = each.edge
        parts.append(
            Drawn(_to(each.line, scale), None if rim is None else _to(rim, scale), _rgb(each.colour), words_of(each))
        )
    return parts, _bar(found, scale), scale


def words_of(each: Carried) -> str:
    name = each.mark.of or each.mark.label or "mark"
    if each.band is None:
        return f"{name}, no band"
    usual, worst = f"{float(np.median(each.band.half)):.1f}", f"{float(each.band.half.max()):.1f}"
    return f"{name} ±{usual} mm" if usual == worst else f"{name} ±{usual} to {worst} mm"


def png(found: Located) -> bytes:
    """The outside picture with lines, bands, a scale bar and the caution, as PNG."""
    parts, bar, _ = drawn(found)
    outside = found.registration.outside
    base = Image.fromarray(outside.rgb)
    base.thumbnail((EDGE, EDGE), Image.Resampling.BICUBIC)
    lines = _caption(found, base.width)
    out = Image.new("RGB", (base.width, base.height + 22 + 18 * len(lines)), LIGHT)
    out.paste(base, (0, 0))
    veil = Image.new("RGBA", out.size, (0, 0, 0, 0))
    pen = ImageDraw.Draw(veil)
    for part in parts:
        if part.edge is not None and np.isfinite(part.edge).all():
            ring = [tuple(map(float, point)) for point in part.edge]
            pen.polygon(ring, fill=(255, 255, 255, 70))
            _stroke(pen, [*ring, ring[0]], 5, (*DARK, 210))
            _stroke(pen, [*ring, ring[0]], 2, (*LIGHT, 255))
    for part in parts:
        line = [tuple(map(float, point)) for point in part.line if np.isfinite(point).all()]
        if len(line) == 1:
            x, y = line[0]
            pen.ellipse((x - 7, y - 7, x + 7, y + 7), fill=(*part.colour, 255), outline=(*DARK, 255), width=3)
        elif line:
            _stroke(pen, line, 7, (*DARK, 255))
            _stroke(pen, line, 5, (*LIGHT, 255))
            _stroke(pen, line, 3, (*part.colour, 255))
    _bar_on(pen, bar)
    font = _font(15)
    for part in parts:
        if len(part.line):
            x, y = part.line[len(part.line) // 2]
            _label(pen, (float(x) + 10, float(y) - 24), part.words, font)
    out.paste(veil, (0, 0), veil)
    text = ImageDraw.Draw(out)
    y = base.height + 8
    for words in lines:
        text.text((12, y), words, fill=DARK, font=font)
        y += 18
    buffer = io.BytesIO()
    out.save(buffer, "PNG")
    return buffer.getvalue()


def svg(found: Located, *, picture: bool = True) -> str:
    """The same as a drawing whose lines can be edited; the picture is inside it unless `picture` is False."""
    parts, bar, _ = drawn(found)
    outside = found.registration.outside
    base = Image.fromarray(outside.rgb)
    base.thumbnail((EDGE, EDGE), Image.Resampling.BICUBIC)
    w, h = base.size
    lines = _caption(found, w)
    total = h + 24 + 20 * len(lines)
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {total}" width="{w}" height="{total}">',
        f"<title>{escape(title_of(found))}</title>",
    ]
    if picture:
        buffer = io.BytesIO()
        base.save(buffer, "JPEG", quality=88)
        data = base64.b64encode(buffer.getvalue()).decode("ascii")
        out.append(f'<image width="{w}" height="{h}" href="data:image/jpeg;base64,{data}"/>')
    out += shapes(parts, bar)
    for n, line in enumerate(lines):
        out.append(f'<text x="12" y="{h + 22 + 20 * n}" font-family="sans-serif" font-size="15">{escape(line)}</text>')
    out.append("</svg>")
    return "\n".join(out) + "\n"


def shapes(parts: Sequence[Drawn], bar: Bar | None) -> list[str]:
    """SVG elements of marks and scale bar, with presentation attributes only (no style): a strict page shows them."""
    out: list[str] = []
    for part in parts:
        if part.edge is not None and np.isfinite(part.edge).all():
            path = _path(part.edge) + "Z"
            out.append(
                f'<path class="band" d="{path}" fill="#fff" fill-opacity="0.28" stroke="#10181c" stroke-width="5"/>'
            )
            out.append(f'<path d="{path}" fill="none" stroke="#fff" stroke-width="2" stroke-dasharray="7 4"/>')
    for part in parts:
        line = part.line[np.isfinite(part.line).all(axis=1)]
        if not len(line):
            continue
        tone = "#{:02x}{:02x}{:02x}".format(*part.colour)
        if len(line) == 1:
            x, y = line[0]
            out.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="7" fill="{tone}" stroke="#10181c" stroke-width="3"/>')
        else:
            for width, stroke in ((7, "#10181c"), (5, "#fff"), (3, tone)):
                out.append(
                    f'<path d="{_path(line)}" fill="none" stroke="{stroke}" stroke-width="{width}"'
                    ' stroke-linejoin="round" stroke-linecap="round"/>'
                )
        x, y = line[len(line) // 2]
        for extra in ('stroke="#fff" stroke-width="4"', ""):
            out.append(
                f'<text x="{x + 10:.0f}" y="{y - 12:.0f}" font-family="sans-serif" font-size="17" font-weight="600"'
                f' fill="#10181c" {extra}>{escape(part.words)}</text>'
            )
    if bar is not None:
        (x1, y1), (x2, y2) = bar.ends
        for width, stroke in ((7, "#10181c"), (4, "#fff")):
            out.append(
                f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{stroke}"'
                f' stroke-width="{width}"/>'
            )
        for extra in ('stroke="#fff" stroke-width="4"', ""):
            out.append(
                f'<text x="{x1:.0f}" y="{y1 - 10:.0f}" font-family="sans-serif" font-size="15" fill="#10181c" {extra}>'
                f"{bar.mm:g} mm here</text>"
            )
    return out


def title_of(found: Located) -> str:
    names = dict.fromkeys(each.mark.of or each.mark.label or "mark" for each in found.carried)
    return f"{', '.join(names)} under {found.outside.file}"


def _caption(found: Located, width: int) -> list[str]:
    """What stands below the picture, in lines that fit its width, the caution last."""
    said = [f"From {found.inside.file} ({found.inside.id}) onto {found.outside.file} ({found.outside.id})."]
    for each in found.carried:
        name = each.mark.of or each.mark.label or "mark"
        if each.band is None:
            said.append(f"{name}: no known length, so no band in mm.")
        else:
            half = float(np.median(each.band.half))
            worst = float(each.band.half.max())
            said.append(
                f"{name}: keep-out band {half:.1f} mm to each side (up to {worst:.1f}); depth {each.depth.basis}."
            )
    fits = max(20, (width - 24) // _LETTER_PX)
    return [part for line in [*said, *found.said, CAUTION] for part in textwrap.wrap(line, fits)]


def _bar(found: Located, scale: float) -> Bar | None:
    """A bar of a round length in the lower left, along the picture's edge, of true length at that place."""
    registration = found.registration
    if registration.cameras is None or not registration.cameras.scaled:
        return None
    setup = registration.cameras.best
    w, h = registration.outside.size
    start = np.array([[0.06 * w, 0.94 * h]])
    try:
        on = band.pixels_on_skin(setup, np.vstack([start, start + np.array([[0.22 * w, 0.0]])]))
    except (ValueError, FloatingPointError):
        return None
    reach = float(np.linalg.norm(on[1] - on[0]))
    fits = [mm for mm in (5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0) if mm <= reach]
    if not np.isfinite(reach) or not fits:
        return None
    mm = fits[-1]
    end = band.off_skin(setup, on[:1] + (on[1:] - on[:1]) / reach * mm)
    ends = registration.outside.to_full(np.vstack([start, end]))
    return Bar(_to(ends, scale), mm) if np.isfinite(ends).all() else None


def _to(points: Points, scale: float) -> Points:
    return np.asarray((points + 0.5) * scale - 0.5)


def _rgb(code: str) -> tuple[int, int, int]:
    found = colours.BY_CODE.get(code)
    if found is not None:
        return int(found.srgb[1:3], 16), int(found.srgb[3:5], 16), int(found.srgb[5:7], 16)
    return 222, 36, 118


def _path(points: Points) -> str:
    return "M" + " L".join(f"{x:.1f} {y:.1f}" for x, y in points)


def _stroke(
    pen: ImageDraw.ImageDraw, line: Sequence[tuple[float, ...]], width: int, fill: tuple[int, int, int, int]
) -> None:
    pen.line([(point[0], point[1]) for point in line], fill=fill, width=width, joint="curve")


def _label(
    pen: ImageDraw.ImageDraw, at: tuple[float, float], words: str, font: ImageFont.ImageFont | ImageFont.FreeTypeFont
) -> None:
    pen.text(at, words, fill=(*DARK, 255), font=font, stroke_width=3, stroke_fill=(*LIGHT, 255))


def _bar_on(pen: ImageDraw.ImageDraw, bar: Bar | None) -> None:
    if bar is None:
        return
    ends = [tuple(map(float, point)) for point in bar.ends]
    _stroke(pen, ends, 7, (*DARK, 255))
    _stroke(pen, ends, 4, (*LIGHT, 255))
    _label(pen, (ends[0][0], ends[0][1] - 26), f"{bar.mm:g} mm here", _font(15))


def _font(size: int) -> ImageFont.ImageFont | ImageFont.FreeTypeFont:
    return ImageFont.load_default(size)
