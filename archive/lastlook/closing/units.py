"""The units a figure of a test is given in: what they are units of, and how large they are. SI prefixes and the hour,
minute and day beside the SI: the SI Brochure of the BIPM, 9th edition, tables 7 and 8."""

from __future__ import annotations

from typing import Final

_PREFIXES: Final = {"": 1.0, "n": 1e-9, "µ": 1e-6, "μ": 1e-6, "u": 1e-6, "m": 1e-3, "k": 1e3, "M": 1e6, "G": 1e9}
_BASES: Final = {
    "Ω": "resistance",  # the Greek letter
    "\u2126": "resistance",  # the sign of its own that older keyboards write
    "ohm": "resistance",
    "ohms": "resistance",
    "Ohm": "resistance",
    "V": "voltage",
    "A": "current",
}
_WHOLE: Final = {
    "s": ("time", 1.0),
    "min": ("time", 60.0),
    "h": ("time", 3600.0),
    "d": ("time", 86400.0),
    "°C": ("temperature", 1.0),
    "C": ("temperature", 1.0),
    "℃": ("temperature", 1.0),
}


def quantity(unit: str) -> tuple[str, float] | None:
    """What `unit` is a unit of, and how many of the unprefixed one it is; None where it is not known here.

    Capitals count: `mΩ` is a thousandth, `MΩ` a million.
    """
    unit = unit.strip().replace(" ", "")
    if unit in _WHOLE:
        return _WHOLE[unit]
    for prefix, size in _PREFIXES.items():
        base = _BASES.get(unit[len(prefix) :])
        if base is not None and unit.startswith(prefix):
            return base, size
    return None


def unfit(unit: str, wanted: str) -> str:
    """What speaks against `unit` for a figure that is wanted in `wanted`; '' where nothing does."""
    of = quantity(wanted)
    if of is None:
        return ""
    if not unit.strip():
        return "the figure has no unit"
    given = quantity(unit)
    if given is None:
        return f"{unit[:20]!r} is no unit that is known here"
    if given[0] != of[0]:
        return f"{unit} is a unit of {given[0]}; this is a {of[0]}, in {wanted}"
    return ""
