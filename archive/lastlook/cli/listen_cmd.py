"""`listen`: hear the plan's names in the sound of clips."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

import click

from lastlook.cli import progress
from lastlook.cli.common import by_option, clock, harmless, json_option, needs_store, plural, print_json
from lastlook.errors import UsageError
from lastlook.store import Store

if TYPE_CHECKING:
    from lastlook.listening import Listened


@click.command(no_args_is_help=True)
@click.argument("clips", metavar="CLIP...", nargs=-1)
@click.option("--all", "everything", is_flag=True, help="Every clip that was not listened to yet.")
@click.option("--again", is_flag=True, help="With --all: those that were listened to as well.")
@click.option(
    "--model", type=click.Path(path_type=Path), metavar="DIR", help="Use faster-whisper with the model there."
)
@click.option("--jobs", type=click.IntRange(1, 64), default=None, help="Parts heard at the same time. Else one a core.")
@click.option("--quiet", is_flag=True, help="No progress.")
@by_option
@json_option
@needs_store
def listen(
    store: Store,
    clips: tuple[str, ...],
    everything: bool,
    again: bool,
    model: Path | None,
    jobs: int | None,
    quiet: bool,
    as_json: bool,
) -> int:
    """Listen to clips for the names of the plan: ids, titles and aliases, said in English.

    What is heard becomes a proposal with the words, where in the clip, and how sure; it weighs less than captions do.
    'lastlook undo' takes it back. It runs on this computer alone and fetches nothing. Needs the extra
    'pip install "lastlook[listen]"' (pocketsphinx with its model), or faster-whisper with a model of yours (--model).

    How well it hears: of names said clearly by computer voices it finds about nine in ten, and of what it hears about
    one in ten was not said; accents, machines running and a far microphone make that worse. It takes a fifth to half
    of the clip's length.

    \b
    Example:
      lastlook listen loom-bhd11.mp4
      lastlook listen --all
    """
    from lastlook import listening
    from lastlook.catalogue import media
    from lastlook.intake import guard

    if bool(clips) == everything:
        raise UsageError("which clips?", "Name clips by id or file name, or give --all.")
    recogniser = listening.choose(model=model)
    wanted = (
        listening.clips_to_hear(store, again=again)
        if everything
        else list({one.sha256: one for one in (media.find_clip(store.catalogue, typed) for typed in clips)}.values())
    )
    executor = ThreadPoolExecutor(jobs or os.cpu_count() or 2)
    try:
        with progress.shown(quiet) as report:
            done = listening.listen(store, wanted, recogniser=recogniser, executor=executor, model=model, report=report)
    finally:
        executor.shutdown(wait=False, cancel_futures=True)
        guard.stop()
    if as_json:
        print_json({"recogniser": recogniser, "clips": [_json(each) for each in done]})
    else:
        for each in done:
            _tell(each)
        heard = sum(len(each.heard) for each in done)
        click.echo(
            f"{plural(len(done), 'clip')} listened to, names heard {plural(heard, 'time')}."
            if done
            else "There is no clip that was not listened to. (--again listens anew.)"
        )
    return 1 if any(each.problem for each in done) else 0


def _tell(each: Listened) -> None:
    file = harmless(each.clip.file)
    if each.problem:
        click.echo(f"{file}: cannot be listened to, {each.problem}.")
    elif not each.heard:
        click.echo(f"{file}: no name of the plan was heard.")
    for one, names in zip(each.heard, each.names, strict=True):
        click.echo(
            f'{file} at {clock(one.start_ms)}: "{harmless(one.text)}" → {" ".join(names)}'
            f" ({round(100 * one.sure)} % sure)"
        )


def _json(each: Listened) -> dict[str, object]:
    return {
        "clip": each.clip.id,
        "file": each.clip.file,
        "problem": each.problem or None,
        "heard": [
            {
                "start_ms": one.start_ms,
                "end_ms": one.end_ms,
                "text": one.text,
                "sure": one.sure,
                "names": list(names),
            }
            for one, names in zip(each.heard, each.names, strict=True)
        ],
    }
