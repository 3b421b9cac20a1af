"""The line of a clip: its length across, what was taken, said and tagged along it. Places are shares of the length, so
that the drawing fits any width without a script."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from lastlook.clip_stretches import Said
from lastlook.records import Cue

Place = Callable[[int | None], float]
"""From a moment (ms) to its place on the line, in per cent."""

_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200)
_MOST_TICKS = 8
WIDE_APART = 8.5
"""How far apart thumbnails stand at least, in per cent of the line, at a desk's width; a tenth of it is a thumbnail."""
NARROW_APART = 27.0
"""The same on a phone."""
_TOGETHER = 0.3  # per cent: words nearer to each other are drawn as one bar
_LANES = 4


@dataclass(frozen=True, slots=True)
class Hung:
    """The still of row `rid` hung on the line, at `x` per cent. `narrow`: shown on a phone as well."""

    x: float
    rid: int
    narrow: bool


@dataclass(frozen=True, slots=True)
class Bar:
    """From `x` on for `width` per cent, in a lane counted from 0."""

    x: float
    width: float
    lane: int = 0
    words: str = ""


@dataclass(frozen=True, slots=True)
class Line:
    """Everything the line shows; `ticks` are (x, ms), `stills` in hundredths of a per cent, `kept` those that a person
    kept, in per cent."""

    length_ms: int
    ticks: tuple[tuple[float, int], ...]
    stills: tuple[int, ...]
    kept: tuple[float, ...]
    hung: tuple[Hung, ...]
    words: tuple[Bar, ...]
    tagged: tuple[Bar, ...]
    lanes: int


def draw(
    length_ms: int,
    moments: Sequence[tuple[int, int]],
    cues: Iterable[Cue],
    said: Sequence[Said],
    by_hand: Mapping[int, str],
) -> Line:
    """The line of a clip of `length_ms`. `moments` are (ms, row) of its stills, `by_hand` holds those a person kept."""
    length = max(1, length_ms)

    def x(ms: int | None) -> float:
        return round(min(max(0, ms or 0), length) * 100 / length, 2)

    step = next((step for step in _STEPS_S if length / (step * 1000) <= _MOST_TICKS), _STEPS_S[-1]) * 1000
    tagged, lanes = _lanes(said, x)
    return Line(
        length_ms,
        tuple((x(ms), ms) for ms in range(0, length, step)),
        tuple(sorted({round(x(ms) * 100) for ms, _ in moments})),
        tuple(sorted({x(ms) for ms in by_hand})),
        _hung(moments, x),
        _words(cues, x),
        tagged,
        lanes,
    )


def _hung(moments: Sequence[tuple[int, int]], at: Place) -> tuple[Hung, ...]:
    found: list[Hung] = []
    last = last_narrow = -100.0
    for ms, rid in moments:
        place = at(ms)
        if place - last < WIDE_APART:
            continue
        narrow = place - last_narrow >= NARROW_APART
        found.append(Hung(place, rid, narrow))
        last = place
        last_narrow = place if narrow else last_narrow
    return tuple(found)


def _words(cues: Iterable[Cue], at: Place) -> tuple[Bar, ...]:
    found: list[list[float]] = []
    for cue in sorted(cues, key=lambda cue: cue.start_ms):
        start, end = at(cue.start_ms), at(cue.end_ms)
        if found and start - found[-1][1] < _TOGETHER:
            found[-1][1] = max(found[-1][1], end)
        else:
            found.append([start, end])
    return tuple(Bar(start, round(max(0.2, end - start), 2)) for start, end in found)


def _lanes(said: Sequence[Said], at: Place) -> tuple[tuple[Bar, ...], int]:
    ends: list[int] = []
    found = []
    for one in said:
        lane = next((n for n, end in enumerate(ends) if end <= one.from_ms), len(ends))
        if lane == len(ends):
            if lane == _LANES:
                continue  # the list below names every one
            ends.append(0)
        ends[lane] = one.to_ms
        start, end = at(one.from_ms), at(one.to_ms)
        found.append(Bar(start, round(max(0.4, end - start), 2), lane, " ".join(one.targets)))
    return tuple(found), len(ends)
