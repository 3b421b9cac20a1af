"""`ingest`, `still`, `problems`: take pictures in."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

import click

from lastlook.archive import text_to_path
from lastlook.cli import progress
from lastlook.cli.common import (
    by_option,
    harmless,
    json_option,
    needs_store,
    picture_json,
    picture_line,
    plural,
    print_json,
)
from lastlook.records import Problem
from lastlook.store import Store


@click.command(no_args_is_help=True)
@click.argument("paths", metavar="PATH...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--leave-in-place", is_flag=True, help="Do not copy files into the archive; only remember where they lie."
)
@click.option("--jobs", type=click.IntRange(1, 64), default=None, help="Files read at the same time. Else one a core.")
@click.option("--quiet", is_flag=True, help="No progress.")
@by_option
@json_option
@needs_store
def ingest(
    store: Store, paths: tuple[Path, ...], leave_in_place: bool, jobs: int | None, quiet: bool, as_json: bool
) -> int:
    """Take photos and clips in: files, and folders with all that is below them.

    It may be repeated, stopped (Ctrl-C) and run again: what is there already is known by its content. Originals are
    copied and never changed. Caption files (.srt, .vtt) beside a clip become searchable words.

    \b
    Example:
      lastlook ingest /media/card ~/phone/2026-03
      lastlook ingest --leave-in-place /mnt/recordings
    """
    from lastlook.ingest import ingest as take_in
    from lastlook.intake import guard

    workers = jobs or os.cpu_count() or 2
    executor = ThreadPoolExecutor(workers)
    try:
        with _term_is_ctrl_c(), progress.shown(quiet) as report:
            done = take_in(
                store,
                paths,
                executor=executor,
                leave_in_place=leave_in_place,
                report=report,
                window=workers * 2,
            )
    finally:
        executor.shutdown(wait=False, cancel_futures=True)
        guard.stop()
    if as_json:
        print_json(
            {
                "added": done.added,
                "known": done.known,
                "stills": done.stills,
                "captions": done.captions,
                "linked": done.linked,
                "skipped": done.skipped,
                "stopped": done.stopped,
                "problems": [problem_json(problem) for problem in done.problems],
            }
        )
    else:
        for problem in done.problems:
            click.echo(problem_line(problem))
        said = [plural(done.added, "file") + " taken in", f"{done.known} known already", plural(done.stills, "still")]
        if done.captions:
            said.append(plural(done.captions, "caption file"))
        if done.linked:
            said.append(plural(done.linked, "motion clip") + " put to their photos")
        if done.skipped:
            said.append(plural(done.skipped, "hidden or system file") + " left out")
        if done.problems:
            said.append(plural(len(done.problems), "problem"))
        click.echo(", ".join(said) + ".")
        if done.stopped:
            click.echo("Stopped. What was read is kept; run the same command again to go on.")
    return 1 if done.problems or done.stopped else 0


@contextmanager
def _term_is_ctrl_c() -> Iterator[None]:
    """A polite kill stops an ingest as Ctrl-C does: what was read is kept."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def stop(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


@click.command(no_args_is_help=True)
@click.argument("clip")
@click.option("--at", required=True, metavar="TIME", help="Where in the clip, like 12:31.5 or 90s.")
@by_option
@json_option
@needs_store
def still(store: Store, clip: str, at: str, as_json: bool) -> int:
    """Keep a moment of CLIP (its id or file name) as a still.

    \b
    Example:
      lastlook still loom-bhd11.mp4 --at 0:42.5
    """
    from lastlook import stills_by_hand

    picture, new = stills_by_hand.keep(store, clip, at)
    if as_json:
        print_json({**picture_json(picture, store.zone), "new": new})
    else:
        click.echo(("Kept: " if new else "Was kept already: ") + picture_line(picture, store.zone))
    return 0


@click.command()
@json_option
@needs_store
def problems(store: Store, as_json: bool) -> int:
    """List files that could not be used, or only in part.

    \b
    Example:
      lastlook problems
    """
    from lastlook.catalogue import paths

    found = paths.problems(store.catalogue)
    if as_json:
        print_json({"problems": [problem_json(problem) for problem in found]})
    elif not found:
        click.echo("Every file that was met could be used.")
    for problem in () if as_json else found:
        click.echo(problem_line(problem))
    return 1 if found else 0


def problem_json(problem: Problem) -> dict[str, object]:
    return {
        "file": str(text_to_path(problem.path)),
        "reason": problem.reason,
        "hint": problem.hint,
        "kept": problem.kept,
    }


def problem_line(problem: Problem) -> str:
    hint = f" {problem.hint}" if problem.hint else ""
    return f"{harmless(str(text_to_path(problem.path)))}: {problem.reason}.{hint}"
