"""The build drawn with what is open and shut: subassemblies as nested areas, openings as gaps in their walls.

Our own drawing, not to scale. State is told by shape and by words, never by colour alone: a ring can be seen, a filled
square is hidden, a half-filled square is undetermined, a dot is hidden by no opening; a gap is open, a bar across it is
shut, a dashed bar is undetermined.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from lastlook.closing.graph import ItemState, Shut, Sight
from lastlook.closing_check import Hidden, OpeningState
from lastlook.plan import structure
from lastlook.records import Part, Plan, Run, Subassembly

WIDE, NARROW = 1120.0, 344.0
_PAD = 10.0
_HEAD = 38.0
_CHIP = 24.0
_GAP_TOP = 20.0
_LETTER = 7.4  # of the monospaced ids at 12 px
_CHIPS = 40  # runs and parts that are drawn in one area; the rest is counted, the table lists them
_TEXT = 6.6  # of the text at 12 px, on average

WORDS = {
    Sight.SEEN: "can be seen",
    Sight.HIDDEN: "hidden",
    Sight.UNDETERMINED: "hidden or not, undetermined",
    Sight.ALWAYS: "no opening hides it",
}


@dataclass(frozen=True, slots=True)
class Chip:
    """A run or part: its mark and id."""

    id: str
    title: str
    sight: str
    x: float
    y: float
    width: float
    words: str


@dataclass(frozen=True, slots=True)
class Gap:
    """An opening in the top wall of an area, from `x` over `width`."""

    id: str
    state: str
    words: str
    x: float
    y: float
    width: float


@dataclass(frozen=True, slots=True)
class Area:
    """A subassembly: its walls, its head, what lies in it. `walls` are the pieces of the top wall between the gaps."""

    id: str
    title: str
    sight: str
    words: str
    x: float
    y: float
    width: float
    height: float
    depth: int
    chips: tuple[Chip, ...]
    more: str
    more_x: float
    more_y: float
    gaps: tuple[Gap, ...]
    walls: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Drawing:
    width: float
    height: float
    areas: tuple[Area, ...]
    words: str


@dataclass
class _Builder:
    plan: Plan
    items: Mapping[str, ItemState]
    gaps: Mapping[str, Sequence[OpeningState]]
    areas: list[Area] = field(default_factory=list)

    def area(self, sub: Subassembly, x: float, y: float, width: float, depth: int) -> float:
        """Draw one subassembly with its top at `y`; returns where its bottom lies."""
        top = y + _GAP_TOP
        place = len(self.areas)
        state = self.items[sub.id]
        inner = width - 2 * _PAD
        cursor = top + _HEAD
        chips: list[Chip] = []
        left = x + _PAD
        lying = self._within(sub)
        drawn_items = lying if len(lying) <= _CHIPS + 1 else lying[:_CHIPS]
        for item in drawn_items:
            chip = 28 + _LETTER * len(item.id)
            if left + chip > x + width - _PAD and left > x + _PAD:
                left, cursor = x + _PAD, cursor + _CHIP + 4
            found = self.items[item.id]
            chips.append(Chip(item.id, item.title, found.sight.value, left, cursor, chip, _words(found)))
            left += chip + 6
        more = self._more(lying[len(drawn_items) :])
        if more:
            left, cursor = x + _PAD, cursor + _CHIP + 4
        more_at = (left, cursor + 15.5)
        cursor += _CHIP + 6 if chips else 0
        for child in self.plan.subassemblies:
            if child.within == sub.id:
                cursor = self.area(child, x + _PAD, cursor, inner, depth + 1) + 6
        bottom = cursor + 4
        gaps, walls = self._wall(sub.id, x, top, width)
        title = _fit(sub.title, inner - _LETTER * (len(sub.id) + 4))
        drawn = Area(
            id=sub.id,
            title=title,
            sight=state.sight.value,
            words=_fit_words(_words(state), inner),
            x=x,
            y=top,
            width=width,
            height=bottom - top,
            depth=depth,
            chips=tuple(chips),
            more=_fit(more, inner),
            more_x=more_at[0],
            more_y=more_at[1],
            gaps=gaps,
            walls=walls,
        )
        self.areas.insert(place, drawn)  # the outer one first: it is drawn under what lies in it
        return bottom

    def _more(self, left_out: Sequence[Run | Part]) -> str:
        """How many are not drawn, by what can be seen of them: nothing goes uncounted."""
        sights = [self.items[item.id].sight for item in left_out]
        counts = [f"{sights.count(sight)} {WORDS[sight]}" for sight in Sight if sight in sights]
        return f"and {len(sights)} more: {', '.join(counts)}" if sights else ""

    def _within(self, sub: Subassembly) -> list[Run | Part]:
        runs = [run for run in self.plan.runs if sub.id in run.subassemblies]
        return [*(part for part in self.plan.parts if part.subassembly == sub.id), *runs]

    def _wall(
        self, id: str, x: float, y: float, width: float
    ) -> tuple[tuple[Gap, ...], tuple[tuple[float, float], ...]]:
        gaps: list[Gap] = []
        walls: list[tuple[float, float]] = []
        at, right = x, x + width - 12
        left = x + 18
        for each in self.gaps.get(id, ()):
            words = {Shut.OPEN: "open", Shut.SHUT: "shut", Shut.UNDETERMINED: "open or shut"}[each.shut]
            span = _LETTER * (len(each.opening.id) + 1 + len(words)) + 8
            if left + span > right:
                break
            gaps.append(Gap(each.opening.id, each.shut.value, words, left, y, span))
            walls.append((at, left))
            at = left + span
            left = at + 16
        walls.append((at, x + width))
        return tuple(gaps), tuple(walls)


def draw(found: Hidden, width: float) -> Drawing:
    """The build at a moment, on a sheet of `width` units."""
    plan = found.plan
    items = {item.id: item for item in found.items}
    builder = _Builder(plan, items, _gaps(found))
    roots = [sub for sub in plan.subassemblies if not sub.within]
    columns = max(1, min(len(roots), int(width // 360)))
    each = (width - 12 * (columns - 1)) / columns
    bottoms = [0.0] * columns
    for sub in roots:
        column = bottoms.index(min(bottoms))
        bottoms[column] = builder.area(sub, column * (each + 12), bottoms[column], each, 0) + 12
    hidden = sum(item.sight is Sight.HIDDEN for item in found.items)
    shut = [state.opening.id for state in found.openings if state.shut is Shut.SHUT]
    words = f"The build as nested areas: {', '.join(shut) or 'no opening'} shut, {hidden} of {len(found.items)} items"
    return Drawing(width, max(bottoms, default=0.0) + 2, tuple(builder.areas), f"{words} hidden. The table says each.")


def _gaps(found: Hidden) -> dict[str, list[OpeningState]]:
    """Where each opening is drawn: on the outermost subassemblies it shows, else where what it shows lies."""
    plan = found.plan
    parts = {part.id: part for part in plan.parts}
    runs = {run.id: run for run in plan.runs}
    subs = {sub.id for sub in plan.subassemblies}
    placed: dict[str, list[OpeningState]] = {}
    for state in found.openings:
        shows = state.opening.shows
        homes = [
            name for name in shows if name in subs and not set(structure.ancestors(plan, name)).intersection(shows)
        ]
        homes = homes or list(dict.fromkeys(parts[name].subassembly for name in shows if name in parts))
        homes = homes or list(
            dict.fromkeys(runs[name].subassemblies[-1] for name in shows if name in runs and runs[name].subassemblies)
        )
        for home in homes:
            placed.setdefault(home, []).append(state)
    return placed


def _words(state: ItemState) -> str:
    if state.sight is Sight.HIDDEN and state.since is not None:
        return f"hidden behind {', '.join(closing.opening for closing in state.behind)}"
    if state.sight is Sight.SEEN:
        return f"seen through {', '.join(state.through)}"
    return WORDS[state.sight]


def _fit(text: str, room: float) -> str:
    most = max(4, int(room / _TEXT))
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


def _fit_words(text: str, room: float) -> str:
    return _fit(text, room - 18)
