"""On which line of a TOML text each table, key and element stands.

The standard library reads TOML well but keeps no positions, and faults of a plan must name their line. This scanner
walks a text that the standard library has already accepted, so it only has to find its way, not to judge.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field

KeyPath = tuple[str | int, ...]

_BLANK = re.compile(r"[ \t\n]*")
_SPACE = re.compile(r"[ \t]*")
_COMMENT = re.compile(r"#[^\n]*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"""(?:"{1,2})?' r"|'''.*?'''(?:'{1,2})?" r'|"(?:[^"\\\n]|\\.)*"' r"|'[^'\n]*'",
    re.DOTALL,
)
_SCALAR = re.compile(r"[^,\]}#\n]+")
_ESCAPE = re.compile(r"\\(?:u([0-9A-Fa-f]{4})|U([0-9A-Fa-f]{8})|(.))", re.DOTALL)
_ESCAPED = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", "e": "\x1b"}


@dataclass(frozen=True, slots=True)
class Header:
    """A [table] or [[table]] line: its line, the path of the table it opens, whether it has two brackets."""

    line: int
    path: KeyPath
    array: bool


@dataclass(slots=True)
class Lines:
    """Line numbers (from 1) by path; a path is keys and, in arrays, places from 0: ("run", 2, "aliases", 0)."""

    by_path: dict[KeyPath, int] = field(default_factory=dict)
    headers: list[Header] = field(default_factory=list)
    comments: list[str] = field(default_factory=list)

    def of(self, path: KeyPath) -> int:
        """The line of `path`, else of the nearest thing around it, else 1."""
        while path:
            if path in self.by_path:
                return self.by_path[path]
            path = path[:-1]
        return 1


def locate(text: str) -> Lines:
    """Find every path of `text`, which must be valid TOML with line feeds only (no carriage returns)."""
    return _Scanner(text).scan()


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.starts = [0, *(match.end() for match in re.finditer("\n", text))]
        self.lines = Lines()
        self.counts: dict[KeyPath, int] = {}  # how many tables each [[array]] holds so far

    def scan(self) -> Lines:
        prefix: KeyPath = ()
        while self._skip() < len(self.text):
            prefix = self._header() if self.text[self.at] == "[" else self._pair(prefix)
        return self.lines

    # ---- parts of a document

    def _header(self) -> KeyPath:
        line, array = self._line(), self.text.startswith("[[", self.at)
        self.at += 2 if array else 1
        *outer, last = self._key()
        self.at = self.text.index("]", self.at) + (2 if array else 1)
        path: KeyPath = ()
        for key in outer:
            path = self._inside((*path, key), line)
        path = (*path, last)
        self.lines.by_path.setdefault(path, line)
        if array:
            self.counts[path] = self.counts.get(path, 0) + 1
            path = (*path, self.counts[path] - 1)
        self.lines.by_path[path] = line
        self.lines.headers.append(Header(line, path, array))
        return path

    def _inside(self, path: KeyPath, line: int) -> KeyPath:
        """`path`, or its newest table where it names an array of tables."""
        self.lines.by_path.setdefault(path, line)
        return (*path, self.counts[path] - 1) if path in self.counts else path

    def _pair(self, prefix: KeyPath) -> KeyPath:
        line, path = self._line(), prefix
        for key in self._key():
            path = (*path, key)
            self.lines.by_path.setdefault(path, line)
        self.lines.by_path[path] = line
        self._move(_SPACE)
        self.at += 1  # the equals sign
        self._move(_SPACE)
        self._value(path)
        return prefix

    def _value(self, path: KeyPath) -> None:
        char = self.text[self.at]
        if char in "\"'":
            self._move(_STRING)
        elif char == "[":
            for place in self._items("]"):
                self.lines.by_path[(*path, place)] = self._line()
                self._value((*path, place))
        elif char == "{":
            for _ in self._items("}"):
                self._pair(path)
        else:
            self._move(_SCALAR)

    def _items(self, end: str) -> Iterator[int]:
        """Stop at each item of an array or inline table in turn, and behind its end."""
        self.at += 1
        place = 0
        while self.text[self._skip()] != end:
            yield place
            place += 1
            if self.text[self._skip()] == ",":
                self.at += 1
        self.at += 1

    def _key(self) -> list[str]:
        keys: list[str] = []
        while True:
            self._move(_SPACE)
            if self.text[self.at] in "\"'":
                start = self.at
                self._move(_STRING)
                quoted = self.text[start : self.at]
                keys.append(quoted[1:-1] if quoted[0] == "'" else _ESCAPE.sub(_unescape, quoted[1:-1]))
            else:
                start = self.at
                self._move(_BARE_KEY)
                keys.append(self.text[start : self.at])
            self._move(_SPACE)
            if self.text[self.at] != ".":
                return keys
            self.at += 1

    # ---- moving on

    def _line(self) -> int:
        return bisect_right(self.starts, self.at)

    def _move(self, pattern: re.Pattern[str]) -> None:
        match = pattern.match(self.text, self.at)
        if match is None:
            raise ValueError(f"not TOML at line {self._line()}")
        self.at = match.end()

    def _skip(self) -> int:
        """Move over blanks, line ends and comments."""
        self._move(_BLANK)
        while comment := _COMMENT.match(self.text, self.at):
            self.lines.comments.append(comment.group().rstrip())
            self.at = comment.end()
            self._move(_BLANK)
        return self.at


def _unescape(match: re.Match[str]) -> str:
    short, long, char = match.groups()
    if short or long:
        return chr(int(short or long, 16))
    return _ESCAPED.get(char, char)
