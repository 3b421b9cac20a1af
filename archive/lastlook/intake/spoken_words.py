"""Which spoken words cover which still of a clip. Pure.

The rule. A still answers for its stretch: to the midpoints of its neighbours, at most `REACH_MS` either way. It gets
every cue heard in that stretch or in the `LEAD_MS` before it. A cue out of reach of every still goes to the nearest
one, so that each cue is found with at least one still of its clip.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence

from lastlook.records import Cue

REACH_MS = 10_000
"""How far from a still its words may come: half of the longest stretch (20 s) that is left without a still."""

LEAD_MS = 4_000
"""A thing is named before it is held up. 4 s is one spoken sentence at about 150 words a minute (common practice)."""


def stretches(still_ms: Sequence[int]) -> tuple[tuple[int, int], ...]:
    """The stretch [start, end) of each still, in ms: to the midpoints of its neighbours, at most `REACH_MS` away.

    `still_ms` ascending, as the stills of a clip are.
    """
    spans: list[tuple[int, int]] = []
    for index, moment in enumerate(still_ms):
        start, end = max(0, moment - REACH_MS), moment + REACH_MS
        if index > 0:
            start = max(start, (still_ms[index - 1] + moment) // 2)
        if index + 1 < len(still_ms):
            end = min(end, (moment + still_ms[index + 1]) // 2)
        spans.append((start, max(end, moment + 1)))
    return tuple(spans)


def cues_of_stills(cues: Sequence[Cue], still_ms: Sequence[int]) -> tuple[tuple[Cue, ...], ...]:
    """For each still (ascending ms) the cues heard in its stretch [start, end) or in the `LEAD_MS` before it, in their
    order. A cue without length counts as one ms long.

    A cue that no stretch reaches goes to the nearest still, so that no spoken word is lost to the search.
    """
    spans = stretches(still_ms)
    firsts, ends = [start - LEAD_MS for start, _ in spans], [end for _, end in spans]
    found: list[list[Cue]] = [[] for _ in spans]
    if not found:
        return ()
    for cue in cues:
        low = bisect_right(ends, cue.start_ms)
        high = bisect_left(firsts, max(cue.end_ms, cue.start_ms + 1))
        if low >= high:
            right = min(bisect_left(still_ms, cue.start_ms), len(found) - 1)
            left = max(right - 1, 0)
            nearer = cue.start_ms - still_ms[left] <= still_ms[right] - cue.start_ms
            low = left if nearer else right
            high = low + 1
        for index in range(low, high):
            found[index].append(cue)
    return tuple(tuple(group) for group in found)
