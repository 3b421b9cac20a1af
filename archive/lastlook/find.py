"""Answer a question about past states: text, then what narrows it, then order.

The text index answers with rows; arrays of times filter and sort them; only what is shown is read whole. What the
time intervals leave open against a closing or a date is never mixed in: it is answered apart, as undetermined.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lastlook import times
from lastlook.catalogue import closings, pictures
from lastlook.catalogue.columns import UNKNOWN, Columns
from lastlook.errors import UsageError
from lastlook.plan import structure
from lastlook.plan.vocabulary import lookup_id
from lastlook.records import (
    Answer,
    CaptureTime,
    Closing,
    Dimension,
    Hit,
    Picture,
    PictureKind,
    Plan,
    Question,
    Sort,
    TagState,
)
from lastlook.store import Store
from lastlook.textindex import Explanation, ParsedQuery, parse
from lastlook.textindex.analysis import index_term, tokenise
from lastlook.textindex.query import Phrase, Prefix, Word, wanted

MAX_LIMIT = 1000
_NOUNS = {None: "picture", PictureKind.PHOTO: "photo", PictureKind.STILL: "still of a clip"}


def find(store: Store, question: Question) -> Answer:
    """The pictures that answer `question`: of one of the ids of each kind that it names, and all else that it asks for.

    Raises NoSuchId for ids that the plan does not know, UsageError."""
    question = canonical(store, question)
    columns = store.columns
    said: list[str] = []
    chosen, scores, parsed, nearest = _by_words(store, question, columns, said)
    chosen = chosen & _by_tags(store, question, columns)
    if question.kind is not None:
        chosen &= columns.still if question.kind is PictureKind.STILL else ~columns.still
    sure, open_ = _by_time(store, question, columns, chosen, said)
    order = _order(columns, sure, scores, question)
    open_order = _order(columns, open_, None, replace(question, sort=Sort.NEWEST))
    page = order[question.offset : question.offset + question.limit]
    reasons = _Reasons(store, question, parsed)
    hits = _hits(store, columns, page, scores, reasons)
    undetermined = _hits(store, columns, open_order[: question.limit], None, reasons)
    if not len(order) and not len(open_order):
        said.extend(_nothing(store, question, parsed, nearest))
    return Answer(question, len(order), hits, len(open_order), undetermined, nearest, tuple(dict.fromkeys(said)))


def canonical(store: Store, question: Question) -> Question:
    """The question with its ids as the plan writes them, and its limits checked."""
    plan = store.plan
    if not 1 <= question.limit <= MAX_LIMIT or question.offset < 0:
        raise UsageError(f"the limit must be 1 to {MAX_LIMIT}", "Ask for fewer pictures at a time.")
    if question.since and question.until and question.until < question.since:
        raise UsageError("'until' lies before 'since'", "Swap the two.")

    def ids(dimension: Dimension, typed: Sequence[str]) -> tuple[str, ...]:
        return tuple(dict.fromkeys(lookup_id(plan, dimension, one) for one in typed))

    return replace(
        question,
        subassemblies=ids(Dimension.SUBASSEMBLY, question.subassemblies),
        steps=ids(Dimension.STEP, question.steps),
        runs=ids(Dimension.RUN, question.runs),
        parts=ids(Dimension.PART, question.parts),
        before_closing=lookup_id(plan, "opening", question.before_closing) if question.before_closing else "",
        after_closing=lookup_id(plan, "opening", question.after_closing) if question.after_closing else "",
    )


def closing_in_force(store: Store, opening: str) -> Closing | None:
    """The last closing of an opening: what "before" and "after" it mean. None where it was never closed."""
    found = closings.of_opening(store.catalogue, opening)
    return found[-1] if found else None


@dataclass(frozen=True, slots=True)
class _Scores:
    rids: NDArray[np.int32]
    values: NDArray[np.float32]

    def of(self, rids: NDArray[np.int32]) -> NDArray[np.float32]:
        at = np.searchsorted(self.rids, rids)
        return self.values[np.minimum(at, len(self.values) - 1)]


def _by_words(
    store: Store, question: Question, columns: Columns, said: list[str]
) -> tuple[NDArray[np.bool_], _Scores | None, ParsedQuery | None, Mapping[str, tuple[str, ...]]]:
    everything = np.ones(len(columns.rid), dtype=bool)
    if not question.words.strip():
        return everything, None, None, {}
    parsed = parse(question.words)
    said.extend(parsed.said)
    if parsed.empty:
        return everything, None, parsed, {}
    matches = store.ask(lambda index: index.match(parsed, scores=_sort(question) is Sort.BEST))
    scores = None if matches.scores is None or not len(matches.rids) else _Scores(matches.rids, matches.scores)
    nearest = {} if len(matches.rids) else store.ask(lambda index: index.nearest(parsed, _names(store)))
    return columns.mask_of(matches.rids), scores, parsed, nearest


def _names(store: Store) -> list[str]:
    """The plan's own names, offered where a word is not known."""
    return [name for item in structure.items(store.plan).values() for name in (item.id, item.title, *item.aliases)]


def _by_tags(store: Store, question: Question, columns: Columns) -> NDArray[np.bool_]:
    mask = np.ones(len(columns.rid), dtype=bool)
    for dimension, targets in _narrowings(store.plan, question):
        mask &= store.tagged(columns, dimension, targets)
    return mask


def _narrowings(plan: Plan, question: Question) -> list[tuple[Dimension, tuple[str, ...]]]:
    """What pictures must be tagged with: one of the targets, in each dimension that the question names."""
    # A subassembly includes what is built into it.
    inside = dict.fromkeys(id for sub in question.subassemblies for id in structure.subtree(plan, sub))
    every = (
        (Dimension.SUBASSEMBLY, tuple(inside)),
        (Dimension.STEP, question.steps),
        (Dimension.RUN, question.runs),
        (Dimension.PART, question.parts),
    )
    return [(dimension, targets) for dimension, targets in every if targets]


def _by_time(
    store: Store, question: Question, columns: Columns, chosen: NDArray[np.bool_], said: list[str]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """(surely inside, left open) among `chosen`."""
    inside = chosen.copy()
    outside = np.zeros_like(chosen)
    known = (columns.earliest != UNKNOWN) & (columns.latest != UNKNOWN)
    for opening, before in ((question.before_closing, True), (question.after_closing, False)):
        if not opening:
            continue
        closing = closing_in_force(store, opening)
        if closing is None:
            if before:
                said.append(f"{opening} is not closed on record: every picture so far counts as before it.")
            else:
                said.append(f"{opening} is not closed on record: nothing can be after it.")
                inside[:], outside[:] = False, True
            continue
        start, end = bounds(closing.time)
        is_before, is_after = known & (columns.latest < start), known & (columns.earliest > end)
        inside &= is_before if before else is_after
        outside |= is_after if before else is_before
    if question.since:
        since = pictures.ms(question.since)
        inside &= known & (columns.earliest >= since)
        outside |= known & (columns.latest < since)
    if question.until:
        until = pictures.ms(question.until)
        inside &= known & (columns.latest <= until)
        outside |= known & (columns.earliest > until)
    return inside, chosen & ~inside & ~outside


def bounds(time: CaptureTime) -> tuple[int, int]:
    """A closing's interval in milliseconds; a closing always has one."""
    if time.earliest is None or time.latest is None:
        raise ValueError("a closing without a time")
    return pictures.ms(time.earliest), pictures.ms(time.latest)


def _sort(question: Question) -> Sort:
    """As asked; else: the newest before a closing first (the last look), the oldest after it, the best of words."""
    if question.sort:
        return question.sort
    if question.after_closing and not question.before_closing:
        return Sort.OLDEST
    if question.words.strip() and not question.before_closing:
        return Sort.BEST
    return Sort.NEWEST


def _order(columns: Columns, mask: NDArray[np.bool_], scores: _Scores | None, question: Question) -> NDArray[np.int64]:
    """Positions in `columns` in the order of the answer; pictures of unknown time last.

    Newest first goes by the earliest that a picture may be, oldest first by the latest: a picture of which only "not
    later than" is known is no newest one.
    """
    at = np.flatnonzero(mask)
    if not len(at):
        return at
    taken = columns.taken[at]
    unknown = taken == UNKNOWN
    sort = _sort(question)
    if sort is Sort.OLDEST:
        keys: tuple[NDArray[np.generic], ...] = (columns.rid[at], taken, columns.latest[at], unknown)
    else:
        # The least number there is has no negative: "no earliest" is moved off it, and comes last.
        earliest = np.maximum(columns.earliest[at], UNKNOWN + 1)
        keys = (-columns.rid[at], -taken, -earliest, unknown)
    if sort is Sort.BEST and scores is not None:
        keys = (*keys, -scores.of(columns.rid[at]))
    return at[np.lexsort(keys)]


def _hits(
    store: Store, columns: Columns, at: NDArray[np.int64], scores: _Scores | None, reasons: _Reasons
) -> tuple[Hit, ...]:
    rids = columns.rid[at]
    found = {picture.rid: picture for picture in pictures.by_rids(store.catalogue, [int(rid) for rid in rids])}
    values = scores.of(rids) if scores is not None and len(rids) else None
    return tuple(
        Hit(found[int(rid)], None if values is None else round(float(values[n]), 4), reasons.of(found[int(rid)]))
        for n, rid in enumerate(rids)
        if int(rid) in found
    )


class _Reasons:
    """Why a picture is in the answer, in a line."""

    def __init__(self, store: Store, question: Question, parsed: ParsedQuery | None) -> None:
        self._wanted = _narrowings(store.plan, question)
        self._parsed = parsed
        self._closings = [
            (word, opening, closing_in_force(store, opening))
            for word, opening in (("before", question.before_closing), ("after", question.after_closing))
            if opening
        ]
        self._zone = store.zone

    def of(self, picture: Picture) -> str:
        parts: list[str] = []
        for dimension, targets in self._wanted:
            for tag in picture.tags:
                if tag.dimension is dimension and tag.target in targets and tag.counts:
                    said = "tagged" if tag.state is TagState.SET else "proposed"
                    parts.append(f"{said} {tag.target} ({tag.why})")
                    break
        if self._parsed is not None and not self._parsed.empty:
            places = [
                name
                for name, text in (("caption", picture.caption), ("spoken words", picture.spoken))
                if text and _touches(self._parsed, text)
            ]
            parts.append(f"words in {' and '.join(places)}" if places else "words in its tags or file name")
        for word, opening, closing in self._closings:
            if closing is not None:
                parts.append(_against(picture, word, opening, closing, self._zone))
        return "; ".join(parts)


def _touches(parsed: ParsedQuery, text: str) -> bool:
    """Whether a wanted word of the question stands in a text."""
    tokens = tokenise(text)
    terms = {index_term(token) for token in tokens}
    for leaf in wanted(parsed.root):
        if isinstance(leaf, Word) and index_term(leaf.token) in terms:
            return True
        if isinstance(leaf, Phrase) and set(leaf.tokens) <= set(tokens):
            return True
        if isinstance(leaf, Prefix) and any(token.startswith(leaf.start) for token in tokens):
            return True
    return False


def _against(picture: Picture, word: str, opening: str, closing: Closing, zone: str) -> str:
    order = times.compare(picture.time, closing.time)
    when = times.describe(closing.time, zone)
    if order is times.Order.BEFORE:
        return f"before {opening} was closed ({when})"
    if order is times.Order.AFTER:
        return f"after {opening} was closed ({when})"
    return f"cannot be told whether it is {word} {opening} was closed ({when})"


def _nothing(
    store: Store, question: Question, parsed: ParsedQuery | None, nearest: Mapping[str, tuple[str, ...]]
) -> list[str]:
    """An empty answer explained: what is absent, and what there is instead."""
    narrowed = bool(
        question.subassemblies
        or question.steps
        or question.runs
        or question.parts
        or question.kind
        or question.before_closing
        or question.after_closing
        or question.since
        or question.until
    )
    lines: list[str] = []
    if not len(store.columns.rid):
        return ["The archive holds no pictures yet: take some in with 'lastlook ingest PATH'."]
    if parsed is not None and not parsed.empty and not nearest:
        lines.extend(_apart(store.ask(lambda index: index.explain(parsed))))
    if narrowed:
        groups = (question.runs, question.steps, question.parts, question.subassemblies)
        named = [" or ".join(group) for group in groups if group]
        lines.extend(_absence(store, question, named))
    return lines or ["No picture matches."]


def _absence(store: Store, question: Question, named: Sequence[str]) -> list[str]:
    """Absence is an answer: say of what, since when, and when it was last seen."""
    what = " with ".join(named) if named else "anything"
    since = question.since
    until = question.until
    bounds: list[str] = []
    if question.before_closing:
        bounds.append(f"before {question.before_closing} was closed")
    if question.after_closing:
        bounds.append(f"after {question.after_closing} was closed")
    if since:
        bounds.append(f"since {times.describe_interval(since, since, store.zone)}")
    if until:
        bounds.append(f"until {times.describe_interval(until, until, store.zone)}")
    noun = _NOUNS[question.kind]
    absent = f"No {noun} of {what}{' ' + ' and '.join(bounds) if bounds else ''}"
    if question.words.strip():
        # Only the words may be what is missing: absence of the thing itself must not be told then.
        wordless = find(store, replace(question, words="", limit=1, offset=0))
        there = wordless.total + wordless.undetermined_total
        if there:
            return [f"{absent} fits the words “{question.words}”; without them there {_are(there)}."]
    lines = [f"{absent}."]
    if bounds and named:
        last = find(
            store,
            replace(
                question,
                words="",
                before_closing="",
                after_closing="",
                since=None,
                until=None,
                sort=Sort.NEWEST,
                limit=1,
                offset=0,
            ),
        )
        if last.hits:
            seen = last.hits[0].picture
            lines.append(f"Last seen {times.describe(seen.time, store.zone)} ({seen.id}).")
    return lines


def _are(count: int) -> str:
    return "is 1" if count == 1 else f"are {count}"


def _apart(explained: Explanation) -> list[str]:
    """Each word is known, but no picture has them all: say which do occur together."""
    wanted = [word for word in explained.words if not word.excluded]
    if len(wanted) < 2 or not all(word.hits for word in wanted) or not explained.together:
        return []
    together = ", ".join(f"{some.text} ({some.hits})" for some in explained.together)
    return [f"Each word is known, but no picture has them all. Together there are: {together}."]
