"""One question, and its answer: what is sure, what cannot be told, what is absent. Without a question: the build."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

from flask import Blueprint, Response, jsonify, render_template, request, url_for

from lastlook import viewing
from lastlook.find import find
from lastlook.plan import structure
from lastlook.records import Answer, Hit, Question, Sort
from lastlook.understand import MAX_CHARACTERS, Narrowing, Understood, understand
from lastlook_web import build, completing
from lastlook_web.app import store
from lastlook_web.words import day_of, number

pages = Blueprint("ask", __name__)

LIMITS = (12, 24, 48, 96)
_USUAL_LIMIT = 24
_SORTS = {"": "as fits the question", "best": "best fit first", "newest": "newest first", "oldest": "oldest first"}
_LARGEST_OFFSET = 10_000_000


@dataclass(frozen=True, slots=True)
class Asked:
    """What the address asks: the typed words, narrowings left as words, order, how many, and from which on."""

    text: str
    without: tuple[str, ...]
    sort: str
    limit: int
    start: int

    def address(self, **changes: Any) -> str:
        """The address of this question with something changed; what is usual is left out of it."""
        now = replace(self, **changes)
        parts: dict[str, Any] = {
            "q": now.text,
            "without": list(now.without) or None,
            "sort": now.sort or None,
            "limit": now.limit if now.limit != _USUAL_LIMIT else None,
            "from": now.start or None,  # a word of the language: it cannot be given by name
        }
        return url_for("ask.page", **parts)


@dataclass(frozen=True, slots=True)
class Slip:
    """One thing the question was read as: `off` asks without it, `plain` with its words as mere words ('' if they are
    already)."""

    label: str
    off: str
    plain: str


@dataclass(frozen=True, slots=True)
class Entry:
    """An answer, with its near-duplicates that follow it in the same answer."""

    hit: Hit
    alike: tuple[Hit, ...]


@dataclass(frozen=True, slots=True)
class Group:
    """Answers that lie on one side of a closing, or all. `more` is the address of all of them, '' where they are all
    here or are leafed through."""

    key: str
    title: str
    total: int
    entries: list[Entry]
    more: str


@dataclass(frozen=True, slots=True)
class Sheet:
    """An answer as it is laid out: what is sure, in groups; what cannot be told; where the other side is."""

    groups: list[Group]
    doubtful: list[Entry]
    doubtful_total: int
    leafed: bool = True
    parted: str = ""
    other: tuple[str, str] | None = None


@pages.get("/")
def page() -> str:
    asked = _asked()
    if not asked.text:
        return build.sheet()
    understood = understand(asked.text, store().plan, datetime.now(UTC), store().zone, frozenset(asked.without))
    question = replace(understood.question, limit=asked.limit, offset=asked.start)
    if asked.sort:
        question = replace(question, sort=Sort(asked.sort))
    answer = find(store(), question)
    return render_template(
        "answers.html",
        asked=asked.text,
        ask=asked,
        slips=_slips(asked, understood),
        answer=answer,
        sheet=_sheet(asked, understood, question, answer),
        nearest=_nearest(asked, answer),
        sorts=_SORTS,
        limits=LIMITS,
        earlier=asked.address(start=max(0, asked.start - asked.limit)) if asked.start else "",
        later=asked.address(start=asked.start + asked.limit) if asked.start + asked.limit < answer.total else "",
        zone=store().zone,
    )


@pages.get("/ask/words.json")
def words() -> Response:
    """All that a question can name, for the list under the box."""
    response = jsonify(completing.offers(store().plan))
    response.headers["Cache-Control"] = "private, max-age=60"
    return response


def _asked() -> Asked:
    """The address read leniently: what makes no sense in it is as if it were not there."""
    text = " ".join(request.args.get("q", "").replace("\0", " ").split())[:MAX_CHARACTERS]
    sort = request.args.get("sort", "")
    limit = request.args.get("limit", _USUAL_LIMIT, type=int)
    start = request.args.get("from", 0, type=int)
    return Asked(
        text,
        tuple(dict.fromkeys(key[:200] for key in request.args.getlist("without")[:20])),
        sort if sort in _SORTS else "",
        limit if limit in LIMITS else _USUAL_LIMIT,
        min(max(0, start), _LARGEST_OFFSET),
    )


def _slips(asked: Asked, understood: Understood) -> list[Slip]:
    slips = [
        Slip(
            narrowing.label,
            asked.address(text=_cut(asked.text, narrowing), start=0),
            asked.address(without=(*asked.without, narrowing.key), start=0),
        )
        for narrowing in understood.narrowings
    ]
    if understood.left:
        rest = " ".join(narrowing.words for narrowing in understood.narrowings)
        slips.append(Slip(f"words “{understood.left}”", asked.address(text=rest, without=(), start=0), ""))
    return slips


def _cut(text: str, narrowing: Narrowing) -> str:
    """The question without the words a narrowing was read from."""
    return " ".join(text.replace(narrowing.words, " ", 1).split())


def _title(question: Question) -> str:
    """What is sure of the answers, for the heading."""
    parts = []
    if question.before_closing:
        parts.append(f"before {question.before_closing} was closed")
    if question.after_closing:
        parts.append(f"after {question.after_closing} was closed")
    if question.since or question.until:
        parts.append("within the dates asked for")
    return f"Surely {' and '.join(parts)}" if parts else "On record"


def _sheet(asked: Asked, understood: Understood, question: Question, answer: Answer) -> Sheet:
    """The answer in groups. A question that names a side of a closing has that side, and where the other is; one that
    names something hidden, or asks for both sides, has both."""
    opening, why = ("", "") if asked.start else _parting(understood)
    if not opening:
        groups = [Group("sure", _title(question), answer.total, _entries(answer.hits), "")] if answer.total else []
        doubtful = () if asked.start else answer.undetermined
        total = 0 if asked.start else answer.undetermined_total
        return Sheet(groups, _entries(doubtful), total, other=_other_side(asked, understood, question))
    before = find(store(), replace(question, before_closing=opening))
    after = find(store(), replace(question, after_closing=opening))
    groups = [
        Group(
            side,
            f"Surely {side} {opening} was closed",
            found.total,
            _entries(found.hits),
            asked.address(text=_sided(asked, understood, side, opening)) if found.total > len(found.hits) else "",
        )
        for side, found in (("before", before), ("after", after))
        if found.total
    ]
    return Sheet(groups, _entries(before.undetermined), before.undetermined_total, leafed=False, parted=why)


def _parting(understood: Understood) -> tuple[str, str]:
    """(opening, why) by whose closing the answers are parted: the one that was asked about on both sides, or the one
    that hid what was named; ('', '') for none."""
    question = understood.question
    if question.before_closing or question.after_closing:
        return "", ""
    around = [each.value for each in understood.narrowings if each.kind == "around-closing"]
    acts = viewing.acts(store())
    if around:
        shut = acts.get(around[0], ())
        return (around[0], "") if shut else ("", f"{around[0]} is not closed on record.")
    hid: set[str] = set()
    named = (*question.runs, *question.parts, *question.subassemblies)
    for id in named:
        through = structure.openings_showing(store().plan, id)
        closing = viewing.hidden_since([acts.get(opening, ()) for opening in through])
        if closing is None or closing.time.instant is None:
            return "", ""
        hid.add(closing.opening)
    if len(hid) != 1:
        return "", ""
    opening = hid.pop()
    instant = acts[opening][-1].time.instant
    day = f" on {day_of(instant, store().zone)}" if instant is not None else ""
    return opening, f"Parted by the closing that hid {', '.join(named)}: {opening}{day}."


def _other_side(asked: Asked, understood: Understood, question: Question) -> tuple[str, str] | None:
    """(words, address) of what lies on the other side of the one closing that a question names; None for nothing."""
    sides = {"before": question.before_closing, "after": question.after_closing}
    if all(sides.values()) or not any(sides.values()):
        return None
    side, opening = ("after", sides["before"]) if sides["before"] else ("before", sides["after"])
    turned = replace(question, before_closing="", after_closing="", limit=1, offset=0)
    turned = replace(turned, before_closing=opening) if side == "before" else replace(turned, after_closing=opening)
    found = find(store(), turned)
    if not found.total:
        return None
    words = f"{number(found.total)} surely {side} {opening} was closed"
    return words, asked.address(text=_sided(asked, understood, side, opening), start=0)


def _sided(asked: Asked, understood: Understood, side: str, opening: str) -> str:
    """The question about one side of a closing."""
    said = next((each for each in understood.narrowings if each.kind.endswith("-closing")), None)
    rest = _cut(asked.text, said) if said is not None else asked.text
    return f"{rest} {side} {opening} closed".strip()


def _entries(hits: Sequence[Hit]) -> list[Entry]:
    """Hits in their order; near-duplicates that follow one another share an entry."""
    entries: list[Entry] = []
    for hit in hits:
        last = entries[-1].hit.picture.group if entries else None
        if last is not None and hit.picture.group == last:
            entries[-1] = replace(entries[-1], alike=(*entries[-1].alike, hit))
        else:
            entries.append(Entry(hit, ()))
    return entries


def _nearest(asked: Asked, answer: Answer) -> list[tuple[str, list[tuple[str, str]]]]:
    """Unknown words, each with known ones near it and the address of the question with the known word."""
    found = []
    for word, known in answer.nearest.items():
        offers = [(near, asked.address(text=_instead(asked.text, word, near), start=0)) for near in known]
        found.append((_typed(asked.text, word), offers))
    return found


def _instead(text: str, word: str, near: str) -> str:
    """The question with a known word in place of an unknown one, however it was written."""
    typed = _typed(text, word)
    at = text.find(typed)
    return f"{text[:at]}{near}{text[at + len(typed) :]}" if at >= 0 else near


def _typed(text: str, word: str) -> str:
    """An unknown word as it was written: "w-99" is known to the index as w99. The word itself where it is not found."""
    written = re.search(r"[\W_]*".join(map(re.escape, word)), text, re.IGNORECASE)
    return written[0] if written else word
