"""Progress on the terminal: one line that changes where there is a terminal, a plain line now and then elsewhere."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

import click

from lastlook.progress import Progress, Report, Stage, silent, words

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
