"""The error tree.

    LastlookError            everything a builder can meet; one line of what is wrong, one of what to do
    ├── UsageError           the command cannot run as asked (wrong option, unknown id)
    │   ├── NoSuchId         an id that neither the plan nor the archive knows
    │   └── AmbiguousId      the beginning of an id that fits more than one
    ├── PlanError            the plan or wire schedule cannot be read; names the line
    ├── ArchiveError         the archive itself cannot be used
    │   ├── NoArchive        there is none here
    │   ├── ArchiveExists    there is one already
    │   ├── ArchiveBusy      another process is writing and did not finish in time
    │   ├── ArchiveDamaged   a part of it cannot be read
    │   └── OriginalUnreadable   the original of one picture or clip is gone, damaged or another file by now
    └── TextIndexError       the text index cannot be read; it is disposable and is rebuilt

A bad *input file* is no exception: it is a `records.Problem`, reported and listed, and the run goes on.
Errors become words and exit codes at one edge, `lastlook.cli`; nothing below prints or exits.
"""

from __future__ import annotations

from collections.abc import Sequence


def plural(count: int, one: str, many: str = "") -> str:
    """A count in words of a message: "1 picture", "3 pictures"."""
    return f"{count} {one if count == 1 else many or one + 's'}"


class LastlookError(Exception):
    """An error a builder can act on.

    `message` says what is wrong in one line; `hint` says what to do in one line (may be empty);
    `exit_code` is what the process returns (2: cannot run as asked).
    """

    exit_code = 2

    def __init__(self, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint


class UsageError(LastlookError):
    """The command cannot run as asked."""


_LONGEST_SHOWN = 60  # letters of an id that is none
_LISTED_BY = {
    "picture": "find",
    "clip": "find --kind still",
    "decision": "history",
    "session": "session list",
    "open group": "propose",
}


class NoSuchId(UsageError):
    """An id that neither the plan nor the archive knows; `nearest` holds known ids that look like it."""

    def __init__(self, what: str, given: str, nearest: Sequence[str] = ()) -> None:
        near = f" Nearest known: {', '.join(nearest)}." if nearest else ""
        shown = given if len(given) <= _LONGEST_SHOWN else f"{given[:_LONGEST_SHOWN]}…"
        super().__init__(
            f"there is no {what} {shown!r}",
            f"'lastlook {_LISTED_BY.get(what, 'plan show')}' lists what there is.{near}",
        )
        self.what = what
        self.given = given
        self.nearest = tuple(nearest)


class AmbiguousId(UsageError):
    """The beginning of an id that fits more than one."""

    def __init__(self, what: str, given: str, fits: Sequence[str]) -> None:
        shown = ", ".join(fits[:5]) + (" …" if len(fits) > 5 else "")
        super().__init__(f"{given!r} fits more than one {what}: {shown}", "Give more of its letters.")
        self.what = what
        self.fits = tuple(fits)


class PlanError(LastlookError):
    """The plan or wire schedule cannot be read. Each entry of `faults` is one line naming a line number."""

    def __init__(self, message: str, hint: str = "", faults: Sequence[str] = ()) -> None:
        super().__init__(message, hint)
        self.faults = tuple(faults)


class ArchiveError(LastlookError):
    """The archive itself cannot be used."""


class NoArchive(ArchiveError):
    """There is no archive at or above the folder asked for."""


class ArchiveExists(ArchiveError):
    """There is an archive already where a new one was asked for."""


class ArchiveBusy(ArchiveError):
    """Another process is writing to the archive and did not finish in time."""


class ArchiveDamaged(ArchiveError):
    """A part of the archive cannot be read."""


class OriginalUnreadable(ArchiveError):
    """The original of a picture or clip is not where it was, cannot be read, or is another file by now."""

    def __init__(self, file: str, reason: str) -> None:
        super().__init__(
            f"{file} {reason}",
            "Plug in the disk it lies on, or bring it back from a backup. "
            "Run 'lastlook verify' to see what else is missing or damaged.",
        )


class TextIndexError(LastlookError):
    """The text index cannot be read. It is disposable: the caller rebuilds it."""
