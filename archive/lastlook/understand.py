"""From what somebody asks to a question with narrowings that can be seen and taken off one by one.

"W03 before mast foot closed" names run W03 and the closing of O4; both become narrowings, nothing is left to search as
words. What is quoted ("mast foot") or excluded (-deck) stays a matter of words. Nothing is guessed: a stretch of text
is a narrowing where the plan's own words or a date stand there, else it stays text. Pure and deterministic.

Rules of our own: a subassembly's name narrows to it and to what is built into it; where one name means several runs,
pictures of any of them answer; "wire to the lantern" means the runs that end there; a place word before a narrowing
("through bulkhead 11") goes with it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from lastlook import question_patterns as patterns
from lastlook import times
from lastlook.plan import structure
from lastlook.plan.vocabulary import Found, Term, Vocabulary, build_vocabulary, words
from lastlook.question_words import trimmed, without_talk
from lastlook.records import Dimension, PictureKind, Plan, Question, Run, Sort
from lastlook.times.phrases import find_time_phrases

MAX_CHARACTERS = 400
_FILLER = ";"  # stands where words were understood: it parts what is left of them and right of them

_PREFERENCE = (Dimension.SUBASSEMBLY, Dimension.PART, Dimension.RUN, Dimension.STEP)


@dataclass(frozen=True, slots=True)
class Narrowing:
    """One thing understood. `kind`: subassembly, step, run, part, before-closing, after-closing, time, kind or sort;
    or around-closing ("before and after"), which leaves out nothing and tells which two states are compared.

    `value` is an id (several joined by ","), "since/until" in RFC 3339 with either side empty, or a word of
    `PictureKind` or `Sort`; `words` the stretch of the question it was read from; `label` what to show.
    """

    kind: str
    value: str
    words: str
    label: str

    @property
    def key(self) -> str:
        """Names it when it is to be taken off: `understand(..., without={key})`."""
        return f"{self.kind}:{self.value}"


@dataclass(frozen=True, slots=True)
class Understood:
    """What a question was read as. `left` are the words that remain to be searched for (`question.words`)."""

    question: Question
    narrowings: tuple[Narrowing, ...]
    left: str


@dataclass(frozen=True, slots=True)
class _Piece:
    start: int
    end: int
    narrowing: Narrowing
    since: datetime | None = None
    until: datetime | None = None


def understand(text: str, plan: Plan, now: datetime, zone: str, without: frozenset[str] = frozenset()) -> Understood:
    """Read a question. `now` (aware) and `zone` (IANA) settle "last week"; `without` holds keys of narrowings to leave
    as plain words. Never raises, whatever the text.
    """
    text = text[:MAX_CHARACTERS]
    reading = _Reading(text, plan, now, zone)
    pieces = sorted(reading.pieces(), key=lambda piece: piece.start)
    kept = _either([piece for piece in pieces if piece.narrowing.key not in without])
    question = Question()
    for piece in kept:
        question = _narrowed(question, piece)
    left = _left_over(text, kept)
    return Understood(
        replace(question, words=left), tuple({piece.narrowing.key: piece.narrowing for piece in kept}.values()), left
    )


def _either(pieces: Sequence[_Piece]) -> list[_Piece]:
    """The pieces, with an "or" before each that widens what one before it has narrowed to: pictures of any answer."""
    seen: dict[str, str] = {}
    found = []
    for piece in pieces:
        kind, key = piece.narrowing.kind, piece.narrowing.key
        if kind in _PREFERENCE and seen.setdefault(kind, key) != key:
            piece = replace(piece, narrowing=replace(piece.narrowing, label=f"or {piece.narrowing.label}"))
        found.append(piece)
    return found


class _Reading:
    """One pass over one text. Stretches already read are blanked, so that nothing is read twice."""

    def __init__(self, text: str, plan: Plan, now: datetime, zone: str) -> None:
        self._text = text
        self._open = _blanked(text, [(match.start(), match.end()) for match in patterns.SHIELDED.finditer(text)])
        self._plan = plan
        self._now = now
        self._zone = zone
        self._vocabulary: Vocabulary = build_vocabulary(plan)
        self._titles = {
            item.id: item.title
            for group in (plan.subassemblies, plan.openings, plan.steps, plan.runs, plan.parts)
            for item in group
        }

    def pieces(self) -> Iterator[_Piece]:
        """Everything understood, the surest first: closings, dates, items of the plan, kinds, order."""
        for read in (
            self._named_closings,
            self._loose_closings,
            self._closings_of_it,
            self._times,
            self._ends,
            self._either_colour,
            self._items,
            self._sorts,
            self._kinds,
        ):
            for piece in read():
                if _FILLER not in self._open[piece.start : piece.end]:
                    self._open = _blanked(self._open, [(piece.start, piece.end)])
                    yield piece

    def _piece(self, start: int, end: int, kind: str, value: str, label: str) -> _Piece:
        return _Piece(start, end, Narrowing(kind, value, self._text[start:end].strip(), label))

    def _closing(self, start: int, end: int, word: str, opening: str) -> _Piece:
        side = "before" if re.search(r"before|prior|until|till", word, re.IGNORECASE) else "after"
        if re.search(r"before\s+and", word, re.IGNORECASE):
            return self._piece(
                start, end, "around-closing", opening, f"before and after {self._name(opening)} was closed"
            )
        return self._piece(start, end, f"{side}-closing", opening, f"{side} {self._name(opening)} was closed")

    def _named_closings(self) -> Iterator[_Piece]:
        for found in self._vocabulary.find(self._open):
            order = patterns.ORDER_BEFORE.search(self._open[: found.start])
            if order is None:
                continue
            openings = list(dict.fromkeys(term.id for term in found.terms if term.kind == "opening"))
            shut = patterns.SHUT_AFTER.match(self._open, found.end)
            said = shut is not None or patterns.VERB.search(order["fill"]) is not None
            # "before the mast foot": nothing that the plan names has a before and an after but a closing. "after the
            # lantern" may mean a place in a list; an opening's id or title cannot, nor words of one title alone.
            own = any(term.kind == "opening" and term.how in ("id", "title") for term in found.terms)
            if not openings and not said:
                openings = self._titled_with(self._open[found.start : found.end])
            elif not said and not own and any(term.kind != "opening" for term in found.terms):
                continue
            if len(openings) == 1:
                yield self._closing(order.start(), shut.end() if shut else found.end, order["word"], openings[0])

    def _titled_with(self, name: str) -> list[str]:
        """The openings whose title or alias holds all words of a name."""
        asked = {word.text for word in words(name)}
        return [
            opening.id
            for opening in self._plan.openings
            if any(asked <= {word.text for word in words(title)} for title in (opening.title, *opening.aliases))
        ]

    def _loose_closings(self) -> Iterator[_Piece]:
        """ "before the deck went on" where the plan says "Main deck": the one opening whose name holds the words."""
        for match in patterns.LOOSE_CLOSING.finditer(self._open):
            fits = self._titled_with(match["name"])
            if words(match["name"]) and len(fits) == 1:
                yield self._closing(match.start(), match.end(), match["word"], fits[0])

    def _closings_of_it(self) -> Iterator[_Piece]:
        """ "the chain locker before it was closed": the one opening that the one thing named is seen through."""
        match = patterns.IT_CLOSED.search(self._open)
        if match is None:
            return
        names = self._vocabulary.find(self._open)
        named = {term.id for found in names for term in _meant(found)}
        openings = {term.id for found in names for term in found.terms if term.kind == "opening"}
        if len(named) == 1:
            openings = set(structure.openings_showing(self._plan, named.pop()))
        elif named:
            return
        if len(openings) == 1:  # "the deck after it was bonded" names the opening itself
            yield self._closing(match.start(), match.end(), match["word"], openings.pop())

    def _either_colour(self) -> Iterator[_Piece]:
        """ "grey or white wire": the runs of both colours."""
        for match in patterns.TWO_COLOURS.finditer(self._open):
            ids: list[str] = []
            for colour in (match["one"], match["other"]):
                runs = [
                    term.id
                    for found in self._vocabulary.find(f"{colour} {match['noun']}")
                    for term in found.terms
                    if term.how == "colour+run"
                ]
                if not runs:
                    break
                ids += runs
            else:
                label = f"run {' or '.join(self._name(id_) for id_ in dict.fromkeys(ids))}"
                yield self._piece(match.start(), match.end(), "run", ",".join(dict.fromkeys(ids)), label)

    def _ends(self) -> Iterator[_Piece]:
        """ "TB.3", "LAN.LED+": the end of a run, as the plan writes it."""
        for match in patterns.END.finditer(self._open):
            asked = match[0].casefold()
            ids = [
                run.id
                for run in self._plan.runs
                if any(f".{end.casefold()}".endswith(f".{asked}") for end in (run.source, run.target) if end)
            ]
            if ids:
                label = f"run {' or '.join(self._name(id_) for id_ in ids)}"
                yield self._piece(match.start(), match.end(), str(Dimension.RUN), ",".join(ids), label)

    def _times(self) -> Iterator[_Piece]:
        for phrase in find_time_phrases(self._open, self._zone, self._now):
            since, until = phrase.since, phrase.until
            value = f"{_rfc3339(since)}/{_rfc3339(until)}"
            try:
                label = _bounds_in_words(since, until, self._zone)
            except OverflowError:
                continue  # the calendar ends with the year 9999, in this zone a little sooner: it stays a word
            yield replace(self._piece(phrase.start, phrase.end, "time", value, label), since=since, until=until)

    def _items(self) -> Iterator[_Piece]:
        for found in self._vocabulary.find(self._open):
            terms = _meant(found)
            if not terms:
                continue
            start, end = found.start, found.end
            kind, ids = str(terms[0].kind), [term.id for term in terms]
            way = patterns.RUN_TO.search(self._open[:start])
            if way is not None and kind in (Dimension.SUBASSEMBLY, Dimension.PART):
                runs = _runs_by_end(self._plan, ids, way["way"].lower())
                if runs:
                    start, kind, ids = way.start(), str(Dimension.RUN), runs
            elif kind in (Dimension.SUBASSEMBLY, Dimension.PART):
                noun = patterns.RUN_NOUN_AFTER.match(self._open, end)
                runs = _runs_by_end(self._plan, ids, "to") if noun else []
                if noun and runs:  # "lantern wires"
                    end, kind, ids = noun.end(), str(Dimension.RUN), runs
            owner = patterns.OWNER.match(self._open, end)
            end = owner.end() if owner else end  # "W09's splice"
            label = f"{kind} {' or '.join(self._name(id_) for id_ in ids)}"
            yield self._piece(start, end, kind, ",".join(ids), label)

    def _kinds(self) -> Iterator[_Piece]:
        for kind, pattern in patterns.KINDS:
            match = pattern.search(self._open)
            if match is not None:
                label = "photos only" if kind is PictureKind.PHOTO else "stills of clips only"
                yield self._piece(match.start(), match.end(), "kind", str(kind), label)
                return

    def _sorts(self) -> Iterator[_Piece]:
        for sort, pattern in patterns.SORTS:
            match = pattern.search(self._open)
            if match is not None:
                yield self._piece(match.start(), match.end(), "sort", str(sort), f"{sort} first")
                return

    def _name(self, id_: str) -> str:
        title = self._titles.get(id_, "")
        return f"{id_} ({title})" if title and title.casefold() != id_.casefold() else id_


def _meant(found: Found) -> list[Term]:
    """The items a name means, all of one dimension; openings are meant only where something is before or after them."""
    terms = [term for term in found.terms if term.kind != "opening"]
    if not terms:
        return []
    best = [term for term in terms if term.how == terms[0].how]
    dimension = min((term.kind for term in best), key=[str(one) for one in _PREFERENCE].index)
    return [term for term in best if term.kind == dimension]


def _runs_by_end(plan: Plan, ids: Sequence[str], way: str) -> list[str]:
    def ends_at(end: str) -> bool:
        return any(end == id_ or end.startswith(f"{id_}.") for id_ in ids)

    def fits(run: Run) -> bool:
        if way in ("to", "into"):
            return ends_at(run.target)
        if way in ("from", "out of"):
            return ends_at(run.source)
        return ends_at(run.target) or ends_at(run.source) or any(id_ in run.subassemblies for id_ in ids)

    return [run.id for run in plan.runs if fits(run)]


def _narrowed(question: Question, piece: _Piece) -> Question:
    kind, value = piece.narrowing.kind, piece.narrowing.value
    ids = tuple(value.split(","))
    if kind == Dimension.SUBASSEMBLY:
        return replace(question, subassemblies=_added(question.subassemblies, ids))
    if kind == Dimension.STEP:
        return replace(question, steps=_added(question.steps, ids))
    if kind == Dimension.RUN:
        return replace(question, runs=_added(question.runs, ids))
    if kind == Dimension.PART:
        return replace(question, parts=_added(question.parts, ids))
    if kind == "before-closing":
        return replace(question, before_closing=question.before_closing or value)
    if kind == "after-closing":
        return replace(question, after_closing=question.after_closing or value)
    if kind == "kind":
        return replace(question, kind=PictureKind(value))
    if kind == "sort":
        return replace(question, sort=Sort(value))
    since = max(filter(None, (question.since, piece.since)), default=None)
    until = min(filter(None, (question.until, piece.until)), default=None)
    return replace(question, since=since, until=until)


def _added(known: tuple[str, ...], more: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(dict.fromkeys((*known, *more)))


def _left_over(text: str, pieces: Sequence[_Piece]) -> str:
    """The words that are neither understood nor mere talk."""
    spans = []
    for piece in pieces:
        leading = patterns.LEADING.search(text[: piece.start])
        spans.append((leading.start() if leading else piece.start, piece.end))
    shields = [match.span() for match in patterns.SHIELDED.finditer(text)]
    parts: list[str] = []
    at = 0
    for start, end in [*shields, (len(text), len(text))]:
        if start < at:
            continue
        parts.append(
            without_talk(
                _blanked(text, spans)[at:start].replace(_FILLER, " "), any(p.narrowing.kind == "run" for p in pieces)
            )
        )
        parts.append(text[start:end])
        at = end
    return trimmed(" ".join(parts))


def _blanked(text: str, spans: Sequence[tuple[int, int]]) -> str:
    for start, end in spans:
        text = f"{text[:start]}{_FILLER * (end - start)}{text[end:]}"
    return text


def _rfc3339(instant: datetime | None) -> str:
    return "" if instant is None else times.format_rfc3339(instant)


def _bounds_in_words(since: datetime | None, until: datetime | None, zone: str) -> str:
    """What was asked for, as a builder would say it: whole days as days, since nobody asked for their last second."""
    if since is not None and until is not None:
        return times.describe_bounds(since, until, zone)
    if since is not None:
        return f"from {times.describe_start(since, zone)} on"
    return f"up to {times.describe_end(until, zone)}" if until is not None else ""
