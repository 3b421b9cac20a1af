"""The words of a question, read into a small tree. Our own plain language:

    lantern wire        both words (in any form: wires, wired)
    "mast foot"         these words next to each other, as written
    sold*               words that begin so (two letters at least)
    -deck, not deck     without that word
    white or grey       either; binds closer than the space between words
    (…)                 brackets, where somebody wants them

There are no other signs. Whatever cannot be read so is left out, and `said` tells what; nothing typed is an error.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TypeAlias

from lastlook.textindex import analysis

MAX_CHARACTERS = 400
MAX_WORDS = 24
MAX_DEPTH = 12
MIN_PREFIX = 2
_LONGEST_ID_LETTERS = 4


@dataclass(frozen=True, slots=True)
class Word:
    """One word. `token` as the raw field holds it; `apart`: an id may also stand in two words ("W 03")."""

    token: str
    apart: tuple[str, str] | None = None


@dataclass(frozen=True, slots=True)
class Phrase:
    """Tokens next to each other."""

    tokens: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Prefix:
    """Words that begin with `start`; with `then_digit` only those that go on with a digit ("W0*")."""

    start: str
    then_digit: bool = False


@dataclass(frozen=True, slots=True)
class AllOf:
    parts: tuple[Node, ...]


@dataclass(frozen=True, slots=True)
class AnyOf:
    parts: tuple[Node, ...]


@dataclass(frozen=True, slots=True)
class Without:
    part: Node


Node: TypeAlias = Word | Phrase | Prefix | AllOf | AnyOf | Without


@dataclass(frozen=True, slots=True)
class ParsedQuery:
    """A question's words as read. `root` is None where nothing is asked. `said`: plain lines on what was left out."""

    text: str
    root: Node | None
    said: tuple[str, ...] = ()

    @property
    def empty(self) -> bool:
        return self.root is None


_LEXEME = re.compile(r'(?P<quote>")|(?P<open>[(\[{])|(?P<close>[)\]}])|(?P<word>[^\s"()\[\]{}]+)|\s+')


@dataclass(slots=True)
class _Reader:
    lexemes: list[tuple[str, str]]
    said: list[str] = field(default_factory=list)
    at: int = 0
    words: int = 0
    too_many: bool = False

    def say(self, line: str) -> None:
        if line not in self.said:
            self.said.append(line)

    def row(self, depth: int) -> Node | None:
        """Everything up to the closing bracket or the end: groups of `or`, all of which must fit."""
        groups: list[list[Node]] = []
        joined = False  # an "or" stands before the next item
        while self.at < len(self.lexemes):
            kind, text = self.lexemes[self.at]
            if kind == "close":
                self.at += 1
                if depth:
                    break
                self.say("A closing bracket without its opening one was left out.")
                continue
            if kind == "word" and text == "or":
                self.at += 1
                joined = bool(groups)
                continue
            item = self.item(depth)
            if item is None:
                continue
            if joined:
                groups[-1].append(item)
            else:
                groups.append([item])
            joined = False
        return _all_of([_any_of(group) for group in groups])

    def item(self, depth: int) -> Node | None:
        kind, text = self.lexemes[self.at]
        if kind == "not":
            self.at += 1
            if self.at >= len(self.lexemes) or self.lexemes[self.at][0] == "close":
                return self.as_words(text) if text == "not" else None
            if depth >= MAX_DEPTH:
                self.say(f"More than {MAX_DEPTH} brackets or “not” inside each other were left out.")
                return None
            inner = self.item(depth + 1)
            if isinstance(inner, Without):
                return inner.part
            return Without(inner) if inner is not None else None
        self.at += 1
        if kind == "open":
            if depth >= MAX_DEPTH:
                self.say(f"More than {MAX_DEPTH} brackets or “not” inside each other were left out.")
                return None
            return self.row(depth + 1)
        if kind == "phrase":
            return self.counted(text, _phrase(analysis.tokens_of(text)))
        return self.as_words(text)

    def as_words(self, text: str) -> Node | None:
        if text.rstrip("*") != text:
            return self.prefix(text)
        if "*" in text:
            self.say(f"“*” is read only at the end of a word; in “{_short(text)}” it was left out.")
        tokens = analysis.tokens_of(text.replace("*", " "))
        node = _phrase(tokens)
        return self.counted(text, node)

    def prefix(self, text: str) -> Node | None:
        tokens = [token for token in analysis.tokens_of(text.rstrip("*")) if token != analysis.BORDER]
        if not tokens:
            self.say("A “*” on its own was left out: put it at the end of a word, as in “sold*”.")
            return None
        *before, last = tokens
        start, then_digit = last, False
        split = analysis.split_id(last)
        if split and split[1] == "0":  # "W0*" means W01 to W09, kept without the zero
            start, then_digit = split[0], True
        elif len(last) < MIN_PREFIX and not before:
            self.say(f"“{_short(text)}” needs at least {MIN_PREFIX} letters before the “*”; it was read as a word.")
            return self.counted(text, Word(last))
        parts: list[Node] = [Word(token) for token in before]
        if len(start) >= MIN_PREFIX or then_digit:
            parts.append(Prefix(start, then_digit))
        return self.counted(text, _all_of(parts))

    def counted(self, text: str, node: Node | None) -> Node | None:
        if node is None:
            if any(character.isalnum() for character in text):
                self.say(f"“{_short(text)}” could not be read as a word and was left out.")
            return None
        count = sum(1 for _ in leaves(node))
        count = max(count, len(node.tokens)) if isinstance(node, Phrase) else count
        if self.words + count > MAX_WORDS:
            self.too_many = True
            return None
        self.words += count
        return node


def parse(text: str) -> ParsedQuery:
    """Read the words of a question. Never raises; `said` holds what was left out and why."""
    said: list[str] = []
    cut = text
    if len(cut) > MAX_CHARACTERS:
        cut = cut[:MAX_CHARACTERS].rpartition(" ")[0] or cut[:MAX_CHARACTERS]
        said.append(f"Only the first {MAX_CHARACTERS} characters were read.")
    # Compatibility forms can grow a text (one sign may stand for eighteen letters), hence the second cut.
    normal = analysis.normalise(cut).replace("\n", " ")[: 2 * MAX_CHARACTERS]
    reader = _Reader(list(_lexemes(normal, said)), said)
    root = reader.row(0)
    if reader.too_many:
        said.append(f"Only the first {MAX_WORDS} words were read.")
    return ParsedQuery(text=cut, root=_tidy(root), said=tuple(said))


def leaves(node: Node | None) -> Iterator[Word | Phrase | Prefix]:
    """The words, phrases and prefixes of a tree, in order, whether wanted or excluded."""
    if node is None:
        return
    if isinstance(node, AllOf | AnyOf):
        for part in node.parts:
            yield from leaves(part)
    elif isinstance(node, Without):
        yield from leaves(node.part)
    else:
        yield node


def wanted(node: Node | None) -> Iterator[Word | Phrase | Prefix]:
    """The leaves that are asked for, without those that are excluded."""
    if isinstance(node, AllOf | AnyOf):
        for part in node.parts:
            yield from wanted(part)
    elif isinstance(node, Word | Phrase | Prefix):
        yield node


def spell(node: Node) -> str:
    """A part of a question as a person would type it."""
    if isinstance(node, Word):
        return f'"{node.token}"' if node.token in ("or", "not") else node.token
    if isinstance(node, Phrase):
        return f'"{" ".join(node.tokens)}"'
    if isinstance(node, Prefix):
        return f"{node.start}{'0' if node.then_digit else ''}*"
    if isinstance(node, Without):
        inner = spell(node.part)
        return f"-({inner})" if isinstance(node.part, AllOf | AnyOf) else f"-{inner}"
    joint = " or " if isinstance(node, AnyOf) else " "
    return joint.join(f"({spell(part)})" if isinstance(part, AllOf | AnyOf) else spell(part) for part in node.parts)


def _lexemes(normal: str, said: list[str]) -> Iterator[tuple[str, str]]:
    quotes = normal.count('"')
    if quotes % 2:  # read as if it were not there
        said.append("A quotation mark without its partner was left out.")
        place = normal.rindex('"')
        normal = f"{normal[:place]} {normal[place + 1 :]}"
    position, quoted_from = 0, None
    fresh = True  # at the start of a word, where "-" excludes
    while (match := _LEXEME.match(normal, position)) is not None:
        position = match.end()
        kind, text = match.lastgroup, match[0]
        if kind == "quote":
            if quoted_from is None:
                quoted_from = position
                position = normal.index('"', position)
            else:
                yield "phrase", normal[quoted_from : match.start()]
                quoted_from = None
            fresh = kind is None
        elif kind is None:
            fresh = True
        elif kind == "word":
            body = text.lstrip("-")
            if body != text and fresh:
                if body or (position < len(normal) and normal[position] in '"(['):
                    yield "not", "-"
                if body:
                    yield "word", body
            elif text == "not":
                yield "not", text
            else:
                yield "word", text
            fresh = False
        else:
            yield kind, text
            fresh = True


def _short(text: str) -> str:
    return text if len(text) <= 40 else f"{text[:39]}…"


def _phrase(tokens: list[str]) -> Node | None:
    kept = tuple(token for token in tokens if token != analysis.BORDER)
    if not kept:
        return None
    return Phrase(kept) if len(kept) > 1 else _word(kept[0])


def _word(token: str) -> Word:
    split = analysis.split_id(token)
    return Word(token, split if split and len(split[0]) <= _LONGEST_ID_LETTERS else None)


def _any_of(parts: list[Node]) -> Node:
    return parts[0] if len(parts) == 1 else AnyOf(tuple(parts))


def _all_of(parts: list[Node]) -> Node | None:
    parts = _joined_ids(parts)
    if not parts:
        return None
    return parts[0] if len(parts) == 1 else AllOf(tuple(parts))


def _joined_ids(parts: list[Node]) -> list[Node]:
    """ "W 03" is asked as two words but may be written as one id: a few letters, then a whole number."""
    joined: list[Node] = []
    for part in parts:
        last = joined[-1] if joined else None
        if (
            isinstance(part, Word)
            and part.token.isdecimal()
            and isinstance(last, Word)
            and last.token.isalpha()
            and len(last.token) <= _LONGEST_ID_LETTERS
        ):
            joined[-1] = AnyOf((Word(last.token + part.token), AllOf((last, part))))
        else:
            joined.append(part)
    return joined


def _tidy(node: Node | None) -> Node | None:
    """Words said in every sentence do not narrow a search; they are dropped unless nothing else is asked."""
    if not isinstance(node, AllOf):
        return node
    telling = tuple(p for p in node.parts if not (isinstance(p, Word) and p.token in analysis.STOP_WORDS))
    if not any(True for part in telling for _ in wanted(part)):
        return node
    return telling[0] if len(telling) == 1 else AllOf(telling)
