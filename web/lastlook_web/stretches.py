"""A long list in stretches: so many rows a page, reached by plain links, and always counted out of all there are."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from lastlook_web.words import number

Row = TypeVar("Row")


@dataclass(frozen=True, slots=True)
class Stretch(Generic[Row]):
    """Some rows of a list. `first`: the number of the first of them in the list, from 1; `total`: of the list;
    `most`: how many a stretch holds, 0 where it is the whole list."""

    rows: Sequence[Row]
    first: int
    total: int
    most: int

    @property
    def last(self) -> int:
        return self.first + len(self.rows) - 1

    @property
    def words(self) -> str:
        """Which of the list's rows they are: "101 to 200 of 500", "none" of an empty one."""
        if not self.rows:
            return "none"
        return f"{number(self.first)} to {number(self.last)} of {number(self.total)}"

    @property
    def parted(self) -> bool:
        """Whether there are rows that it leaves out."""
        return len(self.rows) < self.total

    @property
    def earlier(self) -> int:
        """The number that the stretch before it begins with, 0 where there is none."""
        return max(1, self.first - self.most) if self.first > 1 else 0

    @property
    def later(self) -> int:
        """The number that the stretch after it begins with, 0 where there is none."""
        return self.last + 1 if self.last < self.total else 0


def stretch(rows: Sequence[Row], start: int, most: int) -> Stretch[Row]:
    """The rows from the number `start` on, counted from 1: of the stretch in which it lies. `most` 0: all of them."""
    if not most or len(rows) <= most:
        return Stretch(rows, 1, len(rows), most)
    first = (min(max(start, 1), len(rows)) - 1) // most * most
    return Stretch(rows[first : first + most], first + 1, len(rows), most)


def start_of(given: Mapping[str, str]) -> int:
    """The number an address asks for (`from`); 1 where it asks for none, or for what is no number."""
    text = given.get("from", "")
    return max(1, int(text)) if text.isascii() and text.isdigit() and len(text) < 10 else 1
