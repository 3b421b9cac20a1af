"""Which of two pictures, or a picture and a closing, came first."""

from __future__ import annotations

from enum import StrEnum

from lastlook.records import CaptureTime


class Order(StrEnum):
    """How one time lies to another."""

    BEFORE = "before"
    AFTER = "after"
    UNDETERMINED = "undetermined"  # the intervals share a moment: either may have come first
    UNKNOWN = "unknown"  # one of the two is not known at all


def compare(one: CaptureTime, other: CaptureTime) -> Order:
    """How `one` lies to `other`. Intervals are closed: BEFORE is one.latest < other.earliest, AFTER the reverse."""
    if one.earliest is None or one.latest is None or other.earliest is None or other.latest is None:
        return Order.UNKNOWN
    if one.latest < other.earliest:
        return Order.BEFORE
    if other.latest < one.earliest:
        return Order.AFTER
    return Order.UNDETERMINED
