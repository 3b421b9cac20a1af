"""Proposals from pictures taken just before and after, which a person or a card has placed. Pure.

Hands stay at one thing for a while, so the nearest placed picture on either side speaks for what lies between, less the
further away in time; a card more than a person's tag, and forward only, since it is laid down before the work. A
card shown in the midst of a session on what the card before it said holds for a moment only. Nothing reaches over a
boundary: the start or end of a session, or another card.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import exp

from lastlook.records import Dimension, Proposal, ProposalSource
from lastlook.tagging.context import Context, Neighbour
from lastlook.tagging.places import places

REACH_MS = 2 * 3600 * 1000
"""Further away than this in time nothing is a neighbour."""

VAGUE_MS = 30 * 60 * 1000
"""A picture whose time is less sure than this has no neighbours."""


@dataclass(frozen=True, slots=True)
class Anchor:
    """A placed picture: when it was taken (ms since 1970, UTC), its file, what it shows, and who says so."""

    at_ms: int
    picture: str
    file: str
    targets: tuple[tuple[Dimension, str], ...]
    by_card: bool


class Anchors:
    """Anchors in order of time, and the moments over which nothing reaches (starts and ends of sessions)."""

    def __init__(self, anchors: Iterable[Anchor], boundaries: Iterable[int]) -> None:
        self._anchors = sorted(anchors, key=lambda one: (one.at_ms, one.by_card, one.picture))
        self._boundaries = sorted(boundaries)
        self._times = [anchor.at_ms for anchor in self._anchors]
        # Asked for every picture of an archive: what is looked for has a list of its own, so that nothing is stepped
        # over. Both hold places in `_anchors`.
        self._said = [at for at, anchor in enumerate(self._anchors) if not anchor.by_card]
        self._cards = [at for at, anchor in enumerate(self._anchors) if anchor.by_card]
        # For each card, the place in `_cards` of the last one before it that says something else; -1 without.
        self._other: list[int] = []
        for place, at in enumerate(self._cards):
            if place and self._anchors[self._cards[place - 1]].targets == self._anchors[at].targets:
                self._other.append(self._other[-1])
            else:
                self._other.append(place - 1)

    def around(self, at_ms: int, picture: str) -> tuple[Neighbour, ...]:
        """The nearest anchors before and after a moment, `picture` itself left out: of each side the nearest one that a
        person placed, and the nearest with a card."""
        found = [*self._before(at_ms, picture), *self._after(at_ms, picture)]
        # Two pictures of one moment are before and after each other.
        return tuple({(one.picture, one.by_card, one.superseded): one for one in found}.values())

    def _before(self, at_ms: int, picture: str) -> list[Neighbour]:
        passed = bisect_right(self._boundaries, at_ms)
        lowest = at_ms - REACH_MS
        if passed:
            lowest = max(lowest, self._boundaries[passed - 1])
        first = bisect_left(self._times, lowest)
        end = bisect_right(self._times, at_ms)
        if first == end:
            return []
        place = self._back(self._cards, bisect_left(self._cards, end) - 1, first, picture)
        card = self._cards[place] if place >= 0 else -1
        said = self._back(self._said, bisect_left(self._said, end) - 1, first, picture)
        found = []
        # What lies behind a card belongs to what was before it: only the card before is looked at, too.
        if said >= 0 and self._said[said] > card:
            found.append(self._neighbour(self._said[said], at_ms, earlier=True))
        if place >= 0:
            found.append(self._neighbour(card, at_ms, earlier=True))
            other = self._back(self._cards, self._other[place], first, picture)
            while other >= 0 and self._anchors[self._cards[other]].targets == self._anchors[card].targets:
                other = self._back(self._cards, other - 1, first, picture)
            if other >= 0:
                found.append(replace(self._neighbour(self._cards[other], at_ms, earlier=True), superseded=True))
        return found

    def _after(self, at_ms: int, picture: str) -> list[Neighbour]:
        passed = bisect_right(self._boundaries, at_ms)
        end = bisect_right(self._times, at_ms + REACH_MS)
        if passed < len(self._boundaries):
            end = min(end, bisect_left(self._times, self._boundaries[passed]))
        first = bisect_left(self._times, at_ms)
        if first >= end:
            return []
        card = self._on(self._cards, first, end, picture)
        said = self._on(self._said, first, end, picture)
        nearest = [said, card] if card < 0 or said < card else [card]
        return [self._neighbour(at, at_ms, earlier=False) for at in nearest if at >= 0]

    def _back(self, places: list[int], place: int, first: int, picture: str) -> int:
        """The last place in `places`, from `place` back, of an anchor from `first` on that is not `picture`; or -1."""
        while place >= 0 and self._anchors[places[place]].picture == picture:
            place -= 1
        return place if place >= 0 and places[place] >= first else -1

    def _on(self, places: list[int], first: int, end: int, picture: str) -> int:
        """The first anchor in `places` from `first` on and before `end` that is not `picture`; or -1."""
        place = bisect_left(places, first)
        while place < len(places) and self._anchors[places[place]].picture == picture:
            place += 1
        return places[place] if place < len(places) and places[place] < end else -1

    def _neighbour(self, at: int, at_ms: int, *, earlier: bool) -> Neighbour:
        anchor = self._anchors[at]
        return Neighbour(
            anchor.picture, anchor.file, abs(anchor.at_ms - at_ms), earlier, anchor.by_card, anchor.targets
        )


def propose(context: Context) -> list[Proposal]:
    """One proposal for each thing that placed neighbours show."""
    weights = context.weights
    interlude = _interlude(context)
    sides: dict[tuple[Dimension, str], dict[bool, tuple[float, Neighbour]]] = {}
    for one in context.neighbours:
        if one.superseded:
            continue
        if one is interlude:
            start, fade = weights.after_card, weights.before_card_fade_ms
        elif one.by_card:
            start, fade = (
                (weights.after_card, weights.after_card_fade_ms)
                if one.earlier
                else (weights.before_card, weights.before_card_fade_ms)
            )
        else:
            start, fade = weights.beside, weights.beside_fade_ms
        for dimension, target in one.targets:
            value = start * weights.beside_of(dimension) * exp(-one.gap_ms / fade)
            kept = sides.setdefault((dimension, target), {})
            if one.earlier not in kept or value > kept[one.earlier][0]:
                kept[one.earlier] = (value, one)
    proposals = []
    for (dimension, target), both in sides.items():
        doubt = 1.0
        for value, _ in both.values():
            doubt *= 1.0 - value
        confidence = round(min(1.0 - doubt, weights.beside_most), 4)
        if confidence >= weights.floor:
            evidence = " and ".join(_words(one) for _, one in sorted(both.values(), key=lambda pair: -pair[0]))
            proposals.append(Proposal(dimension, target, ProposalSource.NEIGHBOUR, confidence, evidence))
    return proposals


def _interlude(context: Context) -> Neighbour | None:
    """The last card, if it was only shown in between: the session says what the card before it said, and goes on."""
    cards = [one for one in context.neighbours if one.by_card and one.earlier]
    last = next((one for one in cards if not one.superseded), None)
    before = next((one for one in cards if one.superseded), None)
    if last is None or before is None:
        return None
    homes = places(context.plan).of_step
    about = {target for session in context.sessions for target in session.targets}
    about |= {(Dimension.SUBASSEMBLY, homes[id]) for kind, id in about if kind is Dimension.STEP and id in homes}
    if about & set(last.targets) or not about & set(before.targets):
        return None
    return last


def _words(one: Neighbour) -> str:
    side = "after" if one.earlier else "before"
    who = "shows the card" if one.by_card else "was tagged so"
    return f"taken {gap_words(one.gap_ms)} {side} {one.file}, which {who}"


def gap_words(gap_ms: int) -> str:
    """A span of time, short: "4 s", "12 min", "1 h 5 min"."""
    seconds = round(gap_ms / 1000)
    if seconds < 90:
        return f"{seconds} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60} min"


def span(times: Sequence[int]) -> list[tuple[int, int]]:
    """The stretches of time in which neighbours of pictures at `times` can lie, joined where they overlap."""
    found: list[tuple[int, int]] = []
    for at in sorted(times):
        low, high = at - REACH_MS, at + REACH_MS
        if found and low <= found[-1][1]:
            found[-1] = (found[-1][0], high)
        else:
            found.append((low, high))
    return found
