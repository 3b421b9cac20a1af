"""Gathering every fault of a plan or a wire schedule before any is reported, and reading fields of one table."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from enum import StrEnum
from typing import TypeVar

from lastlook.errors import PlanError
from lastlook.plan.ids import nearest

Choice = TypeVar("Choice", bound=StrEnum)


class Faults:
    """Faults met so far, each with its line number (from 1)."""

    def __init__(self) -> None:
        self._found: dict[tuple[int, str], None] = {}  # a dict keeps order and drops repeats

    def add(self, line: int, text: str) -> None:
        self._found.setdefault((line, text))

    def texts(self) -> tuple[str, ...]:
        """All faults as "line 12: …", in the order of the lines."""
        return tuple(f"line {line}: {text}" for line, text in sorted(self._found, key=lambda fault: fault[0]))

    def stop(self, name: str) -> None:
        """Raise PlanError listing all faults, if there is any. `name` is the file's name."""
        texts = self.texts()
        if texts:
            count = "one fault" if len(texts) == 1 else f"{len(texts)} faults"
            lines = "the line named" if len(texts) == 1 else "the lines named"
            raise PlanError(f"{name} has {count}, nothing was loaded", f"Correct {lines} and load it again.", texts)


def quoted(text: str) -> str:
    """`text` in double quotes for a message, on one line and not endless."""
    shown = "".join(char if char.isprintable() else " " for char in text)
    return f'"{shown[:40]}…"' if len(shown) > 40 else f'"{shown}"'


def listed(words: Iterable[str], last: str = "or") -> str:
    """ "a, b or c"."""
    *front, end = words
    return f"{', '.join(front)} {last} {end}" if front else end


def an(words: str) -> str:
    """ "a run", "an opening"."""
    return f"an {words}" if words[:1] in "aeiou" else f"a {words}"


def did_you_mean(given: str, known: Iterable[str]) -> str:
    """ "; did you mean W03?", or '' where nothing known is near."""
    near = nearest(given, known, limit=2)
    return f"; did you mean {listed(near)}?" if near else ""


def one_line(text: str) -> bool:
    """Whether `text` has no line breaks and no other control characters."""
    return not any(unicodedata.category(char) in ("Cc", "Zl", "Zp", "Cs") for char in text)


class Table:
    """One table of a plan, or one row of a schedule: typed fields, every fault noted with its line.

    `line_of(key, place)` gives the line of a field, or of one element of a list. A reader whose field is missing or
    faulty returns its empty value, so that reading goes on and the remaining faults are found as well. `names` are the
    words for the keys where they are not the keys themselves: the headings of a schedule.
    """

    def __init__(
        self,
        kind: str,
        data: Mapping[str, object],
        line_of: Callable[[str | None, int | None], int],
        faults: Faults,
        names: Mapping[str, str] | None = None,
    ) -> None:
        self.kind = kind
        self.data = data
        self.faults = faults
        self._line_of = line_of
        self._names = names

    @property
    def label(self) -> str:
        given = self.data.get("id")
        return f"{self.kind} {given}" if isinstance(given, str) and given.strip().isprintable() and given else self.kind

    def name(self, key: str) -> str:
        """What the writer of this table calls `key`."""
        return self._names.get(key, key) if self._names is not None else key

    def entry(self, key: str, value: str) -> str:
        """How to write `value` for `key`: "key = value" in a plan file, the bare cell in a schedule."""
        return f"{key} = {value}" if self._names is None else value.strip('"')

    def line(self, key: str | None = None, place: int | None = None) -> int:
        return self._line_of(key, place)

    def fault(self, key: str | None, text: str, place: int | None = None) -> None:
        self.faults.add(self.line(key, place), f"{self.label}: {text}")

    def only(self, known: Iterable[str]) -> None:
        """Note every key that is not in `known`."""
        known = tuple(known)
        for key in self.data:
            if key not in known:
                near = nearest(key, known, limit=1)
                advice = f'did you mean "{near[0]}"?' if near else f"it knows {listed(known, 'and')}"
                self.fault(key, f"there is no key {quoted(key)}; {advice}")

    def text(self, key: str, needed: str = "") -> str:
        """Text on one line, without blanks around it. `needed` says what to write where it must not be missing."""
        name, value = self.name(key), self.data.get(key, "")
        if not isinstance(value, str):
            advice = self.entry(key, quoted(_shown(value)))
            self.fault(key, f"{name} must be text in quotes, not {_what(value)}; write {advice}")
            return ""
        if not one_line(value.strip()):
            self.fault(key, f"{name} must be on one line, without line breaks or tabs; shorten it to one line")
            return ""
        if needed and not value.strip():
            wrong = f"{name} is empty; write" if key in self.data else f"{name} is missing; add"
            self.fault(key if key in self.data else None, f"{wrong} {self.entry(key, quoted(needed))}")
        return value.strip()

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of texts, each once, in order."""
        name, value = self.name(key), self.data.get(key, ())
        if isinstance(value, str):
            advice = self.entry(key, f"[{quoted(value)}]")
            self.fault(key, f"{name} must be a list; write {advice}")
            return ()
        if not isinstance(value, list | tuple):
            advice = self.entry(key, '["…"]')
            self.fault(key, f"{name} must be a list of texts in quotes, not {_what(value)}; write {advice}")
            return ()
        texts: list[str] = []
        for place, entry in enumerate(value):
            if not isinstance(entry, str):
                advice = f"write {quoted(_shown(entry))}"
                self.fault(key, f"{name} holds {_what(entry)} where text in quotes is wanted; {advice}", place)
            elif not entry.strip():
                self.fault(key, f"{name} holds an empty text; write something between the quotes or remove it", place)
            elif not one_line(entry.strip()):
                self.fault(key, f"{name} holds a text with line breaks or tabs; write it on one line", place)
            elif entry.strip() in texts:
                self.fault(key, f"{name} names {quoted(entry.strip())} twice; remove one", place)
            else:
                texts.append(entry.strip())
        return tuple(texts)

    def whole(self, key: str, least: int | None = None) -> int | None:
        name, value = self.name(key), self.data.get(key)
        if value is None:
            return None
        if not isinstance(value, int) or isinstance(value, bool):
            advice = self.entry(key, "30")
            self.fault(key, f"{name} must be a whole number, not {_what(value)}; write it as in {advice}")
            return None
        if abs(value) > 2**53:
            self.fault(key, f"{name} is far too large; write a smaller number")
            return None
        if least is not None and value < least:
            self.fault(key, f"{name} is {value}; it must be {least} or more")
            return None
        return value

    def number(self, key: str, unit: str, least: float | None = None) -> float | None:
        """A finite number of `unit` (named in the message), never below `least`."""
        name, value = self.name(key), self.data.get(key)
        if value is None:
            return None
        if not isinstance(value, int | float) or isinstance(value, bool):
            self.fault(key, f"{name} must be a number ({unit}) without quotes or unit, not {_what(value)}")
            return None
        if not math.isfinite(value) or abs(value) > 1e9:
            self.fault(key, f"{name} is {value}, which is no usable number; write the value in {unit}")
            return None
        if least is not None and value < least:
            self.fault(key, f"{name} is {value:g}; it cannot be negative, write the value in {unit}")
            return None
        return float(value)

    def flag(self, key: str) -> bool | None:
        """true or false; None where it is not said."""
        value = self.data.get(key)
        if value is None or isinstance(value, bool):
            return value
        self.fault(key, f"{self.name(key)} must be true or false without quotes, not {_what(value)}")
        return None

    def choice(self, key: str, kinds: type[Choice], default: Choice) -> Choice:
        """One of an enumeration's values."""
        name, value = self.name(key), self.text(key).lower()
        if not value and key not in self.data:
            return default
        for kind in kinds:
            if value == kind.value:
                return kind
        if isinstance(self.data[key], str):
            known = [kind.value for kind in kinds if kind.value]
            self.fault(key, f"{name} {quoted(value)} is not known; write {listed(known)}")
        return default


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return "…" if isinstance(value, dict | list) else str(value)


def _what(value: object) -> str:
    """The type of a TOML value in plain words."""
    if isinstance(value, bool):
        return "true or false"
    if isinstance(value, str):
        return f"text ({quoted(value)})"
    if isinstance(value, int | float):
        return f"a number ({value})"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, dict):
        return "a table"
    return "a date or time"
