"""Progress as events with a stable stage name, and in a line of words; who shows them decides where and how often."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum


class Stage(StrEnum):
    SCAN = "scan"  # listing files; total is not known
    READ = "read"  # reading photos and clips
    CODES = "codes"  # searching pictures for codes
    TIMES = "times"  # resolving times again
    PROPOSE = "propose"  # proposing tags
    GROUP = "group"  # grouping near-duplicates
    INDEX = "index"  # learning words
    CHECK = "check"  # verifying
    COMPARE = "compare"  # laying pictures over each other
    RESTORE = "restore"  # rebuilding
    GATHER = "gather"  # gathering what a hand-over record would hold
    WEIGH = "weigh"  # adding up how large it would be
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


_WORDS = {
    Stage.SCAN: "looking for files",
    Stage.READ: "reading",
    Stage.CODES: "looking for cards",
    Stage.TIMES: "setting times right",
    Stage.PROPOSE: "proposing tags",
    Stage.GROUP: "grouping near-duplicates",
    Stage.INDEX: "learning words",
    Stage.CHECK: "checking",
    Stage.COMPARE: "comparing pictures",
    Stage.RESTORE: "replaying decisions",
    Stage.GATHER: "gathering pictures",
    Stage.WEIGH: "adding up copies",
    Stage.COPY: "copying",
    Stage.PICTURES: "writing pictures",
    Stage.PAGES: "writing pages",
    Stage.LISTEN: "listening (seconds of sound)",
    Stage.SUMS: "taking checksums",
}


def words(progress: Progress, seconds: float) -> str:
    """One line: what, how far, how fast, how much longer."""
    text = _WORDS[progress.stage]
    if not progress.total:
        return f"{text} …"
    text += f" {progress.done} of {progress.total}"
    if seconds > 0.5 and progress.done:
        rate = progress.done / seconds
        text += f", {rate:.{0 if rate >= 100 else 1}f} a second"
        share = progress.bytes_done / progress.bytes_total if progress.bytes_total else progress.done / progress.total
        if 0 < share < 1:
            text += f", {duration(seconds * (1 - share) / share)} left"
    # A mark, not two blanks: a page runs blanks together, and "3 s left P1010.jpg" reads as one thing.
    return f"{text}: {progress.note}" if progress.note else text


def duration(seconds: float) -> str:
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h"
