"""Grouping pictures that are nearly the same. Grouping only: nothing is ever left out for being like another."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from typing import TypeVar

Id = TypeVar("Id", bound=Hashable)

NEAR_MS = 120_000
"""Pictures of one group follow each other within this time."""
NEAR_BITS = 8
"""Bits of 64 by which neighbours in a group may differ; unrelated pictures differ by 32 ± 4 (common practice for
64-bit DCT hashes is a threshold between 5 and 10; no source)."""


def group_near(
    pictures: Sequence[tuple[Id, int, int]], *, within_ms: int = NEAR_MS, within_bits: int = NEAR_BITS
) -> list[list[Id]]:
    """Group (id, time in ms, 64-bit hash) by single linkage: two pictures are in one group if a chain of pictures
    leads from one to the other in which neighbours are at most `within_ms` apart and differ in at most `within_bits`
    bits. A group can thus last longer than `within_ms`, as a long bench session under one light does.

    Every id comes back exactly once; groups are ordered by their first picture, and so are the pictures in them, by
    time, then by place in the input. Cost grows with the pictures per `within_ms`, not with all pairs.
    """
    order = sorted(range(len(pictures)), key=lambda index: (pictures[index][1], index))
    parent = list(range(len(order)))

    def root(place: int) -> int:
        while parent[place] != place:
            parent[place] = parent[parent[place]]
            place = parent[place]
        return place

    start = 0
    for place, index in enumerate(order):
        _, moment, bits = pictures[index]
        while pictures[order[start]][1] < moment - within_ms:
            start += 1
        for earlier in range(start, place):
            if (pictures[order[earlier]][2] ^ bits).bit_count() <= within_bits:
                one, other = root(earlier), root(place)
                if one != other:
                    parent[max(one, other)] = min(one, other)
    groups: dict[int, list[Id]] = {}
    for place, index in enumerate(order):
        groups.setdefault(root(place), []).append(pictures[index][0])
    return [groups[first] for first in sorted(groups)]
