"""`demo`: the lightship LV-40, and three questions of the trade."""

from __future__ import annotations

import os
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import click

from lastlook.cli import progress
from lastlook.cli.common import plural
from lastlook.store import Store


@click.command()
@click.argument("folder", metavar="[DIR]", default="lightship-demo", type=click.Path(path_type=Path))
@click.option("--quiet", is_flag=True, help="No progress.")
def demo(folder: Path, quiet: bool) -> int:
    """Make a demonstration archive in DIR (lightship-demo) and put three questions of the trade to it.

    The model, its cameras and its bench are invented.

    \b
    Example:
      lastlook demo
    """
    from lastlook import demo as demonstration
    from lastlook.cli.asking import answer_lines
    from lastlook.cli.taking import problem_line
    from lastlook.find import find
    from lastlook.intake import guard

    began = time.monotonic()
    executor = ThreadPoolExecutor(os.cpu_count() or 2)
    try:
        with progress.shown(quiet) as report:
            made, taken = demonstration.build(folder.absolute(), executor=executor, report=report)
    finally:
        executor.shutdown(wait=False, cancel_futures=True)
        guard.stop()
    click.echo(
        f"{folder}: {plural(taken.added, 'file')} taken in, {taken.known} known already,"
        f" {plural(taken.stills, 'still')} of clips, in {time.monotonic() - began:.0f} s."
    )
    for problem in taken.problems:
        click.echo(f"  not used: {problem_line(problem)}" if not problem.kept else f"  {problem_line(problem)}")
    with Store(made) as store:
        for asked in demonstration.QUESTIONS:
            click.echo(f"\n{asked.words}\n$ {asked.command}")
            for line in answer_lines(find(store, asked.question), store.zone):
                click.echo(line)
    click.echo(f"\nLook around in a browser:\n  lastlook serve --archive {folder}")
    return 0
