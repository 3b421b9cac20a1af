"""What the question box offers while it is written in: the plan's own words, for a list that any browser shows and for
one that follows each word of a question."""

from __future__ import annotations

from collections.abc import Iterator

from lastlook.plan import colours, structure
from lastlook.plan.structure import kind_of
from lastlook.plan.vocabulary import build_vocabulary
from lastlook.records import Opening, Plan

LISTED = 80
"""How many of them each page carries along; the rest is fetched when somebody writes."""

_TIMES = ("today", "yesterday", "this week", "last week", "this month", "last month", "the last 14 days")
_OTHER = (("newest", "order"), ("oldest", "order"), ("photos only", "kind"), ("stills", "kind"))


def offers(plan: Plan) -> list[tuple[str, str]]:
    """(what to write, what it means) of all that a question can name, closings first, each text once."""
    found: dict[str, tuple[str, str]] = {}
    for text, about in (
        *_closings(plan),
        *_items(plan),
        *_colours(plan),
        *((time, "time") for time in _TIMES),
        *_OTHER,
    ):
        found.setdefault(text.casefold(), (text, about))
    return list(found.values())


def listed(plan: Plan) -> list[tuple[str, str]]:
    """The few that each page carries: closings, and ids with their titles."""
    return [*_closings(plan), *((id, item.title) for id, item in structure.items(plan).items())][:LISTED]


def _closings(plan: Plan) -> Iterator[tuple[str, str]]:
    for opening in plan.openings:
        for side in ("before", "after"):
            yield f"{side} {_lowered(opening.title)} closed", f"closing of {opening.id}"


def _items(plan: Plan) -> Iterator[tuple[str, str]]:
    for id, item in structure.items(plan).items():
        kind = "opening" if isinstance(item, Opening) else str(kind_of(item))
        yield id, f"{kind}, {item.title}"
        for name in (item.title, *item.aliases):
            yield name, f"{kind} {id}"


def _colours(plan: Plan) -> Iterator[tuple[str, str]]:
    """ "white wire" for the runs of that colour, said by the name of the colour."""
    names = {word for colour in colours.COLOURS for word in colour.words}
    for term in build_vocabulary(plan).terms:
        if (
            term.how == "colour+run"
            and term.words[-1] == "wire"
            and term.words[0] in names
            and "with" not in term.words
        ):
            yield " ".join(term.words), f"run {term.id}"


def _lowered(title: str) -> str:
    """A title inside a sentence; one that begins with an abbreviation keeps it."""
    return title[:1].lower() + title[1:] if title[1:2].islower() else title


def example(plan: Plan) -> str:
    """A question in this plan's own words, for the hint under the question box."""
    for opening in plan.openings:
        known = [run.id for run in plan.runs if run.id in opening.shows]
        name = known[0] if known else opening.shows[0] if opening.shows else ""
        if name:
            return f"{name} before {_lowered(opening.title) or opening.id} closed"
    return f"{plan.runs[0].id} newest first" if plan.runs else "newest first"
