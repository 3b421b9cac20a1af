"""Which moments of a clip become stills: pure choice over judged looks.

The promise: every state that was held in view for `hold_ms` or longer has a still, the sharpest look of that hold; no
stretch of `interval_ms` is without one; and where a still is only there to keep that interval, the sharpest look
around wins. Nothing is left out because it resembles something else: near-duplicates are grouped later (`likeness`).
"""

from __future__ import annotations

import statistics
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

KEY_BONUS = 1.05  # a key frame is cheaper to fetch and coded better: it wins over an equal
SETTLED_BONUS = 1.15
BLURRED = 0.45
"""From this perceptual blur on (0..1) a chosen look is worth a search among its neighbours."""
REFINE_REACH_MS = 700
VARIED = 1.25
"""From this ratio of the sharpest to the middle look on, a hold was shaken. The middle one, not the softest: where half
the looks are about as sharp as the best, the best is no lucky moment, and frames beside it are no sharper."""
BETTER = 1.15  # how much sharper a neighbour must be to replace what was chosen


@dataclass(frozen=True, slots=True)
class JudgedLook:
    """What is known of one look. `view`: number of the view it shows; `sharpness`: a rank within one view, free from
    exposure; `blur`: 0..1, absolute; `card`: a code is in view."""

    clip_ms: int
    view: int
    sharpness: float
    blur: float = 0.0
    key: bool = True
    card: bool = False

    @property
    def rank(self) -> float:
        return self.sharpness * (KEY_BONUS if self.key else 1.0)


@dataclass(frozen=True, slots=True)
class Choice:
    """A chosen moment. `hold_ms`: how long the view was surely held around it (0: interval). [`earliest_ms`,
    `latest_ms`] is where a sharper neighbour may be taken from without showing another state. `why`: "held" or
    "interval"."""

    clip_ms: int
    sharpness: float
    blur: float
    hold_ms: int
    earliest_ms: int
    latest_ms: int
    why: str
    doubtful: bool = True
    """Whether sharpness varied around it, or is unknown: where it did not, neighbours are no sharper."""


@dataclass(frozen=True, slots=True)
class Hold:
    """A run of looks of one view, looks[first:last+1]. It was held for at least `sure_ms`, at most `possible_ms`."""

    first: int
    last: int
    sure_ms: int
    possible_ms: int


def holds(looks: Sequence[JudgedLook], end_ms: int) -> list[Hold]:
    """The runs of one view in `looks` (in order of time), a single stray look inside a run being passed over.

    Looks are samples: a run seen from look i to look k was held at most from look i-1 to look k+1.
    """
    runs: list[list[int]] = []
    for index, look in enumerate(looks):
        if runs and looks[runs[-1][-1]].view == look.view:
            runs[-1].append(index)
        elif len(runs) > 1 and len(runs[-1]) == 1 and looks[runs[-2][-1]].view == look.view:
            runs.pop()
            runs[-1].append(index)
        else:
            runs.append([index])
    found = []
    for run in runs:
        first, last = run[0], run[-1]
        before = looks[first - 1].clip_ms if first else 0
        after = looks[last + 1].clip_ms if last + 1 < len(looks) else max(end_ms, looks[last].clip_ms)
        found.append(Hold(first, last, looks[last].clip_ms - looks[first].clip_ms, after - before))
    return found


def choose(
    looks: Sequence[JudgedLook], end_ms: int, *, hold_ms: int = 3_000, interval_ms: int = 20_000
) -> list[Choice]:
    """Choose stills among `looks` (strictly in order of time, the first at the first frame shown).

    Every run that may have been held for `hold_ms` gives its sharpest look (at its ends only if clearly sharper). Then
    gaps longer than `interval_ms`,
    counted from the start to `end_ms`, are filled: always as late as the interval allows, within its second half with
    the sharpest look there. Where looks are themselves further apart than that, all there is is taken.
    """
    if not looks:
        return []
    chosen: dict[int, Choice] = {}
    for hold in holds(looks, end_ms):
        if hold.possible_ms < hold_ms:
            continue
        view = looks[hold.first].view
        own = {at for at in range(hold.first, hold.last + 1) if looks[at].view == view}
        # Towards its ends a hold is still settling or already leaving: among looks nearly as sharp the middle wins.
        most = max(looks[one].rank for one in own)
        middle = (looks[hold.first].clip_ms + looks[hold.last].clip_ms) / 2
        near = [one for one in own if looks[one].rank * SETTLED_BONUS >= most]
        at = min(near, key=lambda one: (abs(looks[one].clip_ms - middle), -looks[one].rank))
        best = looks[at]
        # A sharper neighbour must not be the stray look that was passed over.
        first, last = at, at
        while first - 1 in own:
            first -= 1
        while last + 1 in own:
            last += 1
        chosen[best.clip_ms] = Choice(
            best.clip_ms,
            best.sharpness,
            best.blur,
            hold.sure_ms,
            looks[first].clip_ms,
            looks[last].clip_ms,
            "held",
            len(own) < 3 or best.sharpness > VARIED * statistics.median_low(looks[one].sharpness for one in own),
        )
    for look in _between(looks, sorted(chosen), end_ms, interval_ms):
        reach = REFINE_REACH_MS
        chosen[look.clip_ms] = Choice(
            look.clip_ms, look.sharpness, look.blur, 0, look.clip_ms - reach, look.clip_ms + reach, "interval"
        )
    return [chosen[moment] for moment in sorted(chosen)]


def _between(looks: Sequence[JudgedLook], held: Sequence[int], end_ms: int, interval_ms: int) -> Iterator[JudgedLook]:
    """The looks that fill what is longer than `interval_ms` between the start, the moments `held` and the end."""
    taken = False
    index = 0
    previous = 0
    for limit in (*held, end_ms):
        while limit - previous > interval_ms:
            while index < len(looks) and looks[index].clip_ms <= previous:
                index += 1
            window = []
            for look in looks[index:]:
                if look.clip_ms > previous + interval_ms or look.clip_ms >= limit:
                    break
                window.append(look)
            if not window:  # a hole in the looks: go on behind it
                later = looks[index] if index < len(looks) and looks[index].clip_ms < limit else None
                if later is None:
                    break
                window = [later]
            late = [look for look in window if look.clip_ms > previous + interval_ms // 2] or window[-1:]
            best = max(late, key=lambda look: (look.rank, look.clip_ms))
            yield best
            taken = True
            previous = best.clip_ms
        previous = max(previous, limit)
    if not held and not taken:
        yield max(looks, key=lambda look: (look.rank, -look.clip_ms))


def with_cards(choices: Sequence[Choice], looks: Sequence[JudgedLook]) -> list[Choice]:
    """`choices` and, of each stretch in which a code was in view, its first, its sharpest and its last look: a card
    that is shown between two scenes tells where the one ends and the other begins. A single look without is no end."""
    chosen = {choice.clip_ms: choice for choice in choices}
    run: list[JudgedLook] = []
    for index, look in enumerate((*looks, None, None)):
        if look is not None and look.card:
            run.append(look)
        elif run and (index == 0 or look is None or not looks[index - 1].card):
            for one in (run[0], max(run, key=lambda look: look.rank), run[-1]):
                card = Choice(one.clip_ms, one.sharpness, 0.0, 0, one.clip_ms, one.clip_ms, "card")
                chosen.setdefault(one.clip_ms, card)
            run = []
    return [chosen[moment] for moment in sorted(chosen)]


def to_refine(choices: Sequence[Choice], end_ms: int, *, a_minute: int = 3) -> list[Choice]:
    """Those of `choices` whose neighbours deserve a look, blurriest first: bounded by the clip's length, not by the
    clock, so that the same clip always gives the same stills."""
    blurred = sorted(
        (choice for choice in choices if choice.doubtful and choice.blur >= BLURRED), key=lambda c: (-c.blur, c.clip_ms)
    )
    return blurred[: a_minute + a_minute * end_ms // 60_000]


def refine(choice: Choice, neighbours: Sequence[JudgedLook]) -> Choice:
    """`choice` moved to the sharpest of `neighbours` within its bounds, if that one is clearly sharper."""
    allowed = [look for look in neighbours if choice.earliest_ms <= look.clip_ms <= choice.latest_ms]
    if not allowed:
        return choice
    best = max(allowed, key=lambda look: (look.sharpness, -look.clip_ms))
    if best.sharpness < choice.sharpness * BETTER:
        return choice
    return replace(choice, clip_ms=best.clip_ms, sharpness=best.sharpness, blur=best.blur)


def reach(choice: Choice) -> tuple[int, int]:
    """The stretch [start, end] in ms in which neighbours are looked at: from `choice` on, since what precedes a key
    frame costs a whole group of pictures to decode; before it only where nothing follows in the same state."""
    end = min(choice.latest_ms, choice.clip_ms + REFINE_REACH_MS)
    if end > choice.clip_ms:
        return choice.clip_ms, end
    return max(0, choice.earliest_ms, choice.clip_ms - REFINE_REACH_MS), choice.clip_ms
