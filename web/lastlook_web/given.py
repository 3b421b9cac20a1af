"""Numbers and places as people type them into forms and addresses: read with care, so that nothing is guessed."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Final

from lastlook.errors import AmbiguousId, LastlookError, NoSuchId, UsageError
from lastlook.marking import MOST_POINTS
from lastlook_web import missing, ways
from lastlook_web.words import sentence

WRONG: Final = (UsageError, NoSuchId, AmbiguousId)
"""What a form comes back for, with what was typed in it."""

_THOUSANDS: Final = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
_UNIT: Final = re.compile(r"(.*?)\s*([^\W\d_]+|[\"″'])\.?")


def number(text: str, what: str, unit: str = "") -> float | None:
    """A number with point or comma, None where nothing is typed; `unit` may stand behind it. Raises UsageError."""
    given = text.strip().replace("−", "-")
    if not given:
        return None
    plain = given
    behind = _UNIT.fullmatch(given)
    if unit and behind and behind[1]:
        if behind[2].casefold() != unit:
            raise UsageError(f"{what} is {given[:60]!r}", f"Give it in {unit}, as a number.")
        plain = behind[1]
    if _THOUSANDS.fullmatch(plain):  # a way of 1.2 mm would let every wire reach
        raise UsageError(
            f"{what} is {plain!r}: is that {plain.replace(',', '')} or {plain.replace(',', '.')}?",
            "Write it without a comma, or with a point.",
        )
    try:
        value = float(plain.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        of = f" of {unit}" if unit else ""
        raise UsageError(f"{what} is {given[:60]!r}, which is no number{of}", "Write a number, like 40 or 12.5.")
    return value


def needed(text: str, what: str, unit: str = "") -> float:
    """A number that must be there. Raises UsageError."""
    value = number(text, what, unit)
    if value is None:
        raise UsageError(f"{what} is not said", f"Give a number{' of ' + unit if unit else ''}, like 40 or 12.5.")
    return value


def points(text: str) -> list[list[float]]:
    """Places in pixels, "X,Y X,Y". Raises UsageError naming the word at fault."""
    out = []
    for word in text.replace(";", " ").split()[: MOST_POINTS + 1]:
        x, _, y = word.partition(",")
        try:
            place = [float(x), float(y)]
        except ValueError:
            place = [math.nan]
        if not all(map(math.isfinite, place)):
            raise UsageError(f"{word[:60]!r} is no point", "Give points as X,Y, with a blank between points.") from None
        out.append(place)
    return out


def one_point(text: str, what: str) -> list[float]:
    """A single place in pixels. Raises UsageError."""
    found = points(text)
    if len(found) != 1:
        raise UsageError(f"{what} is {'not said' if not found else 'more than one place'}", "Point at it, or give X,Y.")
    return found[0]


def place(x: str, y: str) -> tuple[float, float] | None:
    """A place from two fields, None where both are empty. Raises UsageError."""
    if not x.strip() and not y.strip():
        return None
    return needed(x, "x"), needed(y, "y")


def at_fault(error: LastlookError) -> str:
    """What is wrong and what to do, on a page: no command of a terminal."""
    hint = missing.hint(error) if isinstance(error, NoSuchId) else ways.on_page(error.hint)
    near = f" Nearest known: {', '.join(error.nearest)}." if isinstance(error, NoSuchId) and error.nearest else ""
    return f"{sentence(error.message)} {hint}{near}"


def code_of(error: LastlookError) -> int:
    """The status a form comes back with."""
    return 404 if isinstance(error, NoSuchId) else 400


def field(form: Mapping[str, str], name: str, default: str = "") -> str:
    """A field without blanks around it; `default` where it is empty."""
    return form.get(name, "").strip() or default
