"""Insulation colours: codes of IEC 60757, the words builders use for them, and a display colour for drawings.

Codes and their order follow IEC 60757:2021 (first list 1983). The sRGB values are this project's own choice, made to
be told apart on screen; the standard gives none. A drawing must show the code in text beside the colour, always.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from lastlook.plan.ids import nearest, plain


@dataclass(frozen=True, slots=True)
class Colour:
    """One colour of insulation. `srgb` is '#rrggbb', `ink` the text colour ('#000000' or '#ffffff') readable on it."""

    code: str
    name: str
    srgb: str
    words: tuple[str, ...]

    @property
    def ink(self) -> str:
        return "#000000" if contrast(self.srgb, "#000000") >= contrast(self.srgb, "#ffffff") else "#ffffff"


# In the order of the standard's table; a code of two colours on one conductor is joined in this order.
COLOURS: Final[tuple[Colour, ...]] = (
    Colour("BK", "black", "#1b1d21", ("black", "blk", "blck")),
    Colour("BN", "brown", "#7a4a2b", ("brown", "brn", "brwn")),
    Colour("RD", "red", "#c8322b", ("red",)),
    Colour("OG", "orange", "#e8802a", ("orange", "orng", "orn", "org")),
    Colour("YE", "yellow", "#f1cf3c", ("yellow", "yel", "ylw", "yell")),
    Colour("GN", "green", "#34864a", ("green", "grn")),
    Colour("BU", "blue", "#2f62b5", ("blue", "blu", "light blue", "dark blue", "pale blue", "navy")),
    Colour("VT", "violet", "#7d4fa6", ("violet", "vio", "vlt", "purple", "purp", "pur", "lilac", "mauve")),
    Colour("GY", "grey", "#8b9096", ("grey", "gray", "gry", "slate")),
    Colour("WH", "white", "#f5f4ef", ("white", "wht", "whi")),
    Colour("PK", "pink", "#e997b4", ("pink", "pnk")),
    Colour("GD", "gold", "#b9953a", ("gold", "gld", "golden")),
    Colour("TQ", "turquoise", "#35b0ab", ("turquoise", "turq", "trq")),
    Colour("SR", "silver", "#c3c8cc", ("silver", "slv", "silv")),
    Colour("GNYE", "green-and-yellow", "#8fb53c", ("green and yellow", "green yellow", "yellow green")),
)
BY_CODE: Final = {colour.code: colour for colour in COLOURS}
_ORDER: Final = {colour.code: place for place, colour in enumerate(COLOURS)}
_BY_WORD: Final = {word: colour.code for colour in COLOURS for word in (*colour.words, colour.code.lower())}
# Written for a colour in some workshops, but no code of the standard, and most of them mean two things.
_MISTAKEN: Final = {
    "bl": ("BK", "BU"),
    "b": ("BK", "BU"),
    "br": ("BN",),
    "or": ("OG",),
    "o": ("OG",),
    "gr": ("GN", "GY"),
    "g": ("GN", "GY"),
    "r": ("RD",),
    "y": ("YE",),
    "yw": ("YE",),
    "w": ("WH",),
    "v": ("VT",),
    "pu": ("VT",),
    "p": ("PK", "VT"),
    "cyan": ("TQ",),
    "teal": ("TQ",),
}
_SPLIT = re.compile(r"\s*(?:/|\\|-|,|\+|\bwith\b|\band\b|\s)\s*")


def is_code(text: str) -> bool:
    """Whether `text` is a code of IEC 60757, in capitals as the standard writes it."""
    return text in BY_CODE


def code_of(text: str) -> str | None:
    """The code for a code, a colour word or a common abbreviation ("red", "gray", "purple", "blk"), else None.

    Abbreviations that mean two colours ("BL", "GR") give None: ask `suggest`.
    """
    words = " ".join(re.split(r"[\s/_-]+", plain(text).strip()))
    return _BY_WORD.get(words) or ("GNYE" if words in ("gn ye", "ye gn") else None)


def suggest(text: str) -> tuple[str, ...]:
    """Codes that `text` may stand for, best first; empty where nothing is near (clear, tan and magenta have none)."""
    code = code_of(text)
    if code:
        return (code,)
    word = plain(text).strip()
    if word in _MISTAKEN:
        return _MISTAKEN[word]
    return tuple(dict.fromkeys(_BY_WORD[near] for near in nearest(word, _BY_WORD, limit=2, cutoff=75.0)))


def split_pair(text: str) -> tuple[str, str] | None:
    """Base and tracer codes of "WH/BU", "WHBU", "white with blue" or a single colour (tracer ''), else None.

    GNYE is one colour of the standard, never a pair.
    """
    single = code_of(text)
    if single:
        return single, ""
    word = plain(text).strip()
    bare = re.fullmatch(r"([a-z]{2})([a-z]{2})", word)
    parts = list(bare.groups()) if bare else [part for part in _SPLIT.split(word) if part and part != "tracer"]
    codes = [code_of(part) for part in parts]
    if len(codes) == 2 and codes[0] and codes[1] and codes[0] != codes[1]:
        return codes[0], codes[1]
    return None


def standard_code(colour: str, tracer: str = "") -> str:
    """The code IEC 60757 gives a conductor of two colours: joined in the table's order (red and blue: RDBU).

    Green and yellow are GNYE in any case. The code does not say which is the base; that is why base and tracer are kept
    apart. '' without a colour.
    """
    if {colour, tracer} == {"GN", "YE"}:
        return "GNYE"
    return "".join(sorted(filter(None, (colour, tracer)), key=_ORDER.__getitem__))


def bundle_code(*conductors: str) -> str:
    """Codes of several conductors of one cable, joined by plus as in IEC 60757 (BK+BK+BN+BU+GNYE)."""
    return "+".join(conductors)


def label(colour: str, tracer: str = "") -> str:
    """How a run's colour is written for people: "WH", or "WH/BU" for white with a blue tracer; '' without."""
    return f"{colour}/{tracer}" if tracer else colour


def spoken(colour: str, tracer: str = "") -> str:
    """The colour in words: "white", "white with blue tracer"; '' without."""
    if not colour:
        return ""
    return BY_CODE[colour].name + (f" with {BY_CODE[tracer].name} tracer" if tracer else "")


def luminance(srgb: str) -> float:
    """Relative luminance 0..1 of '#rrggbb' (WCAG 2.2, "relative luminance")."""
    channels = (int(srgb[place : place + 2], 16) / 255 for place in (1, 3, 5))
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio 1..21 of two '#rrggbb' (WCAG 2.2, "contrast ratio")."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)
