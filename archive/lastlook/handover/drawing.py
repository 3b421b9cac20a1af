"""What somebody drew on a picture, drawn on a copy of it: the route of a run, a point, a region, with its id in text.

A line has a halo, light and dark: no single colour can be told from every photograph (WCAG 2.2, 1.4.11), and colour
alone says nothing, so the id stands at the line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from PIL import Image, ImageDraw, ImageFont

from lastlook.plan import colours

_CLOSED = {"region", "outline"}


@dataclass(frozen=True, slots=True)
class Drawing:
    """`points` in pixels of the upright picture in full; `label` the id it shows; `colour` a code of IEC 60757."""

    shape: str
    label: str
    points: tuple[tuple[float, float], ...]
    colour: str = ""


def draw(image: Image.Image, drawings: Sequence[Drawing], scale: float) -> Image.Image:
    """A copy of `image` with the drawings on it; `scale`: its pixels for one of the picture in full."""
    made = image.convert("RGB")
    pen = ImageDraw.Draw(made)
    wide = max(2, round(max(made.size) / 400))
    font = ImageFont.load_default(size=max(14, round(max(made.size) / 60)))
    for one in drawings:
        points = [(x * scale, y * scale) for x, y in one.points]
        known = colours.BY_CODE.get(one.colour)
        ink = known.srgb if known else "#e8802a"
        if len(points) == 1:
            x, y = points[0]
            for radius, shade in ((wide * 5, "#000000"), (wide * 4, "#ffffff"), (wide * 3, ink)):
                pen.ellipse((x - radius, y - radius, x + radius, y + radius), fill=shade)
        else:
            path = [*points, points[0]] if one.shape in _CLOSED else points
            for width, shade in ((wide * 3 + 2, "#000000"), (wide * 3, "#ffffff"), (wide, ink)):
                pen.line(path, fill=shade, width=width, joint="curve")
        _label(pen, font, one.label, points[0], made.size, wide)
    return made


def _label(
    pen: ImageDraw.ImageDraw,
    font: ImageFont.FreeTypeFont | ImageFont.ImageFont,
    text: str,
    at: tuple[float, float],
    size: tuple[int, int],
    wide: int,
) -> None:
    if not text:
        return
    left, top, right, bottom = pen.textbbox((0, 0), text, font=font)
    across, tall = right - left + 2 * wide, bottom - top + 2 * wide
    x = min(max(at[0] + 4 * wide, 0), max(size[0] - across, 0))
    y = min(max(at[1] - tall - 4 * wide, 0), max(size[1] - tall, 0))
    pen.rectangle((x, y, x + across, y + tall), fill="#ffffff", outline="#000000")
    pen.text((x + wide - left, y + wide - top), text, fill="#000000", font=font)
