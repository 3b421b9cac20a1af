"""Scale and plane from a card in a picture: where its known points lie, in pixels and in millimetres. Pure.

A map of the plane needs four points; one marker has four corners. The points are given; fitting a map to them, and how
far it can be trusted, is for whoever measures.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import dist

from lastlook.cards import layout
from lastlook.cards.payload import decode
from lastlook.records import Code, CodeKind


@dataclass(frozen=True, slots=True)
class CardPlane:
    """One card in a picture: `text` its code, `pixels` (x, y) of the upright picture and `millimetres` of the card's
    frame (see `layout`), point for point. `mirrored`: the picture, or the mirror in it, shows the card mirrored."""

    text: str
    pixels: tuple[tuple[float, float], ...]
    millimetres: tuple[tuple[float, float], ...]
    mirrored: bool = False


NEAR = 0.6
"""How far a marker may lie from where the square code alone puts it, in sides of the code: what perspective adds over
half a card seen from twice its length, at a tilt of 60 degrees, stays below."""


def planes(codes: Sequence[Code]) -> tuple[CardPlane, ...]:
    """Every card of one picture that shows its square code and at least one of its markers, with all points of it.

    `codes` are those of one picture. A marker counts for a card where it lies near where that card's code puts it.
    """
    markers = [(id, code) for code in codes if (id := marker_id(code)) is not None]
    found = []
    for card in codes:
        if card.kind is not CodeKind.QR or decode(card.text) is None:
            continue
        pixels: list[tuple[float, float]] = []
        millimetres: list[tuple[float, float]] = []
        for id in layout.MARKER_AT:
            place = _placed(card, _middle(layout.corners_of_marker(id)))
            near = [marker for number, marker in markers if number == id]
            near.sort(key=lambda marker: dist(_middle(marker.corners), place))
            if near and dist(_middle(near[0].corners), place) <= NEAR * _side(card):
                pixels += [(float(x), float(y)) for x, y in near[0].corners]
                millimetres += layout.corners_of_marker(id)
        if pixels:
            found.append(CardPlane(card.text, tuple(pixels), tuple(millimetres), card.mirrored))
    return tuple(found)


def marker_id(code: Code) -> int | None:
    """The id of one of the cards' own markers; None for every other code."""
    if code.kind is not CodeKind.MARKER:
        return None
    family, _, number = code.text.rpartition(":")
    if family != layout.MARKER_FAMILY:
        return None
    return int(number) if number.isdecimal() and int(number) in layout.MARKER_AT else None


def _placed(card: Code, at: tuple[float, float]) -> tuple[float, float]:
    """Where a point of the card's frame (mm) lies in the picture by its square code, perspective left aside."""
    (x0, y0), (x1, y1), _, (x3, y3) = card.corners
    right = (at[0] - layout.CODE_AT[0]) / layout.CODE
    down = (at[1] - layout.CODE_AT[1]) / layout.CODE
    return x0 + right * (x1 - x0) + down * (x3 - x0), y0 + right * (y1 - y0) + down * (y3 - y0)


def _middle(corners: Sequence[tuple[float, float]]) -> tuple[float, float]:
    return sum(x for x, _ in corners) / 4, sum(y for _, y in corners) / 4


def _side(code: Code) -> float:
    corners = code.corners
    return max(dist(corners[at], corners[(at + 1) % 4]) for at in range(4))
