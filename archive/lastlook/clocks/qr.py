"""A text as a QR code (ISO/IEC 18004), made by segno."""

from __future__ import annotations

import io

import segno

QUIET = 4
"""Light modules that must lie around a code (ISO/IEC 18004)."""


def modules(text: str) -> tuple[tuple[bool, ...], ...]:
    """Rows of modules without the light frame, True for dark. Error correction M or better at the same size."""
    return tuple(tuple(bool(value) for value in row) for row in segno.make_qr(text, error="m").matrix)


def path(text: str) -> tuple[int, str]:
    """(side in modules with the light frame, the dark modules as the `d` of an SVG path in units of a module)."""
    rows = modules(text)
    parts = []
    for y, row in enumerate(rows):
        x = 0
        while x < len(row):
            if not row[x]:
                x += 1
                continue
            end = x
            while end < len(row) and row[end]:
                end += 1
            parts.append(f"M{x + QUIET} {y + QUIET}h{end - x}v1h{x - end}z")
            x = end
    return len(rows) + 2 * QUIET, "".join(parts)


def png(text: str, scale: int = 16) -> bytes:
    """The code as a PNG, `scale` pixels a module, with its light frame."""
    out = io.BytesIO()
    segno.make_qr(text, error="m").save(out, kind="png", scale=scale, border=QUIET)
    return out.getvalue()


def terminal(text: str) -> str:
    """The code in half blocks, dark on light whatever the terminal's own colours are."""
    out = io.StringIO()
    segno.make_qr(text, error="m").terminal(out, border=2, compact=True)
    return out.getvalue()
