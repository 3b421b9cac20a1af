"""What an id may look like, when two typed ids mean the same thing, and which known words are near a strange one."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from typing import Final

MAX_ID_LENGTH: Final = 32
ID_RULE: Final = "an id starts with a letter or digit and holds only letters A to Z, digits and - . _ +, 32 at most"
_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._+-]{0,31}")
_PIECES = re.compile(r"[^\W\d_]+|\d+|\+")
# Keyboards and word processors turn the hyphen of an id into one of these.
_DASHES = dict.fromkeys(map(ord, "‐‑‒–—―−﹣－"), "-")


def is_id(text: str) -> bool:
    """Whether `text` can be an id of the plan. Plain ASCII, so that it fits file names, addresses and labels."""
    return _ID.fullmatch(text) is not None


def id_key(text: str) -> str:
    """The form in which a plan's own ids are compared: only capitals and small letters are taken as equal."""
    return text.strip().casefold()


def plain(text: str) -> str:
    """`text` without accents and capitals, with every dash a hyphen."""
    if text.isascii():
        return text.lower()
    apart = unicodedata.normalize("NFKD", unicodedata.normalize("NFKC", text).translate(_DASHES).casefold())
    return "".join(char for char in apart if not unicodedata.combining(char))


def fold_id(typed: str) -> str:
    """What a builder means by an id, however it is typed: W03 = w3 = w-03 = W 03, but W1 is not W10 nor J1.1 J11.

    Capitals, spaces, hyphens, full stops, underscores and leading zeros do not count. Two numbers side by side stay
    apart, and a plus anywhere or a minus at the end counts (MOT+ and MOT- are two ends). '' where nothing is left.
    """
    text = plain(typed).strip()
    folded = ""
    for piece in _PIECES.findall(text):
        if piece.isdigit():
            piece = piece.lstrip("0") or "0"
            if folded[-1:].isdigit():
                folded += "."
        folded += piece
    return folded + "-" if folded and text.endswith("-") else folded


def nearest(given: str, known: Iterable[str], limit: int = 3, cutoff: float = 60.0) -> tuple[str, ...]:
    """Up to `limit` known words that look like `given`, best first; similarity (0..100) must reach `cutoff`."""
    from rapidfuzz import fuzz, process  # loaded only where something was misspelt: every start counts

    wanted = plain(given)
    if not wanted.strip():
        return ()
    choices = list(dict.fromkeys(known))
    found = process.extract(wanted, choices, scorer=fuzz.ratio, processor=plain, limit=limit, score_cutoff=cutoff)
    return tuple(choice for choice, _score, _index in found)
