"""Progress as events with a stable stage name; who shows them decides how."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum


class Stage(StrEnum):
    SCAN = "scan"  # listing files; total is not known
    READ = "read"  # reading photos and clips
    CODES = "codes"  # searching pictures for codes
    PROPOSE = "propose"  # proposing tags
    GROUP = "group"  # grouping near-duplicates
    INDEX = "index"  # learning words
    CHECK = "check"  # verifying
    COMPARE = "compare"  # laying pictures over each other
    RESTORE = "restore"  # rebuilding
    COPY = "copy"  # copying to or from a backup
    PICTURES = "pictures"  # pictures of a hand-over record
    PAGES = "pages"  # its pages and print
    LISTEN = "listen"  # listening to clips, in seconds of sound
    SUMS = "sums"  # its checksums


@dataclass(frozen=True, slots=True)
class Progress:
    """`done` of `total` items (0: not known); bytes likewise, where the work is weighed by them; `note` the item."""

    stage: Stage
    done: int
    total: int = 0
    bytes_done: int = 0
    bytes_total: int = 0
    note: str = ""


Report = Callable[[Progress], None]


def silent(progress: Progress) -> None:
    """For callers who watch nothing."""
