"""Where things lie on a bench card, in millimetres. Pure.

The card's frame: origin at its top left corner, x to the right (forward), y down, as in an upright picture. Its four
markers are the same on every card, one for each corner, so that they say where a card lies and never which card it is;
only the square code says that.

The markers are ids 31 to 34 of the tag25h9 family (35 codes of 5 × 5 bits, at least 9 bits apart, so that 4 wrong bits
are still put right). Of the families with such a distance it has the fewest modules, so the largest ones on a card of
this size. The size of a marker is that of its black border.
"""

from __future__ import annotations

from typing import Final

WIDTH: Final = 92.0
HEIGHT: Final = 64.0
MARKER: Final = 14.0
"""Side of a marker's black border: 7 modules of 2 mm."""
EDGE: Final = 4.0
"""From the card's edge to a marker: two white modules, where one is asked for."""
CODE: Final = 25.0
"""Side of the square code, without its white border."""
CODE_AT: Final = (22.0, 20.5)
SCALE: Final = 40.0
SCALE_AT: Final = (26.0, 57.0)
"""Where the mm scale begins, and how long it is."""

MARKER_FAMILY: Final = "25h9"
MARKER_BITS: Final = {31: 0x141679, 32: 0x116A0BE, 33: 0x1B8DDB, 34: 0xE7133A}
"""The 5 × 5 inner bits of the markers, row by row, 1 white; from the family's published table (35 codes)."""

_RIGHT = WIDTH - EDGE - MARKER
_LOW = HEIGHT - EDGE - MARKER
MARKER_AT: Final = {31: (EDGE, EDGE), 32: (_RIGHT, EDGE), 33: (_RIGHT, _LOW), 34: (EDGE, _LOW)}
"""Top left corner of each marker: top left, top right, bottom right, bottom left of the card."""


def corners_of_marker(id: int) -> tuple[tuple[float, float], ...]:
    """A marker's four corners, clockwise from its own top left, mm in the card's frame."""
    return _square(*MARKER_AT[id], MARKER)


def corners_of_code() -> tuple[tuple[float, float], ...]:
    """The square code's four corners, clockwise from its own top left, mm in the card's frame."""
    return _square(*CODE_AT, CODE)


def _square(x: float, y: float, side: float) -> tuple[tuple[float, float], ...]:
    return (x, y), (x + side, y), (x + side, y + side), (x, y + side)


def bits_of_marker(id: int) -> tuple[tuple[int, ...], ...]:
    """The marker's 7 × 7 modules, row by row, 1 white, its black border included."""
    bits = f"{MARKER_BITS[id]:025b}"
    inner = [tuple(int(bit) for bit in bits[row * 5 : row * 5 + 5]) for row in range(5)]
    black = (0,) * 7
    return (black, *((0, *row, 0) for row in inner), black)
