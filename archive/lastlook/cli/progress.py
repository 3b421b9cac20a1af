"""Progress on the terminal: one line that changes where there is a terminal, a plain line now and then elsewhere."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

import click

from lastlook.progress import Progress, Report, Stage, silent

_WORDS = {
    Stage.SCAN: "looking for files",
    Stage.READ: "reading",
    Stage.CODES: "looking for cards",
    Stage.PROPOSE: "proposing tags",
    Stage.GROUP: "grouping near-duplicates",
    Stage.INDEX: "learning words",
    Stage.CHECK: "checking",
    Stage.COMPARE: "comparing pictures",
    Stage.RESTORE: "replaying decisions",
    Stage.COPY: "copying",
    Stage.PICTURES: "writing pictures",
    Stage.PAGES: "writing pages",
    Stage.LISTEN: "listening (seconds of sound)",
    Stage.SUMS: "taking checksums",
}
_PLAIN_EVERY_S = 10.0
_LINE_EVERY_S = 0.1


@contextmanager
def shown(quiet: bool = False) -> Iterator[Report]:
    """A report for the time of some work. Writes to the standard error stream; nothing where `quiet`."""
    if quiet:
        yield silent
        return
    line = _Line(sys.stderr.isatty())
    try:
        yield line.report
    finally:
        line.end()


class _Line:
    def __init__(self, terminal: bool) -> None:
        self._terminal = terminal
        self._stage: Stage | None = None
        self._began = 0.0
        self._last = 0.0
        self._width = 0

    def report(self, progress: Progress) -> None:
        now = time.monotonic()
        fresh = progress.stage is not self._stage
        if fresh:
            self._stage, self._began = progress.stage, now
            # Off a terminal, nothing is said of what ends within seconds.
            self._last = 0.0 if self._terminal else now
        every = _LINE_EVERY_S if self._terminal else _PLAIN_EVERY_S
        complete = progress.total and progress.done >= progress.total
        if now - self._last < every and not (complete and self._terminal):
            return
        self._last = now
        text = words(progress, now - self._began)
        if self._terminal:
            columns = 100
            text = text if len(text) <= columns else text[: columns - 1] + "…"
            click.echo("\r" + text.ljust(self._width), nl=False, err=True)
            self._width = len(text)
        else:
            click.echo(text, err=True)

    def end(self) -> None:
        if self._terminal and self._width:
            click.echo("\r" + " " * self._width + "\r", nl=False, err=True)


def words(progress: Progress, seconds: float) -> str:
    """One line: what, how far, how fast, how much longer."""
    text = _WORDS[progress.stage]
    if not progress.total:
        return f"{text} …"
    text += f" {progress.done} of {progress.total}"
    if seconds > 0.5 and progress.done:
        text += f", {progress.done / seconds:.1f} a second"
        share = progress.bytes_done / progress.bytes_total if progress.bytes_total else progress.done / progress.total
        if 0 < share < 1:
            text += f", {duration(seconds * (1 - share) / share)} left"
    return f"{text}  {progress.note}" if progress.note else text


def duration(seconds: float) -> str:
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h"
