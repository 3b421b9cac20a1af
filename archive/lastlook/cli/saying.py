"""`tag`, `untag`, `close`, `reopen`, `history`, `undo`: what people decide."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, TypeVar

import click

from lastlook import deciding, times
from lastlook.cli import progress
from lastlook.cli.common import (
    by_option,
    harmless,
    instant,
    json_option,
    needs_store,
    picture_json,
    picture_line,
    print_json,
)
from lastlook.closing.records import Check
from lastlook.deciding import Target
from lastlook.records import Decision, Dimension, Picture
from lastlook.store import Store
from lastlook.telling import decision_words

F = TypeVar("F", bound=Callable[..., Any])


def target_options(command: F) -> F:
    for name, parameter, metavar, words in (
        ("--part", "parts", "ID", "A part."),
        ("--run", "runs", "ID", "A run."),
        ("--step", "steps", "ID", "A step."),
        ("--in", "subassemblies", "SUB", "A subassembly."),
    ):
        command = click.option(name, parameter, multiple=True, metavar=metavar, help=words)(command)
    return command


def targets(
    subassemblies: tuple[str, ...], steps: tuple[str, ...], runs: tuple[str, ...], parts: tuple[str, ...]
) -> list[Target]:
    groups = (
        (Dimension.SUBASSEMBLY, subassemblies),
        (Dimension.STEP, steps),
        (Dimension.RUN, runs),
        (Dimension.PART, parts),
    )
    return [Target(dimension, typed) for dimension, given in groups for typed in given]


@click.command(no_args_is_help=True)
@click.argument("picture_ids", metavar="PICTURE...", nargs=-1, required=True)
@target_options
@click.option("--caption", help="Words of your own; '' empties the caption.")
@by_option
@json_option
@needs_store
def tag(
    store: Store,
    picture_ids: tuple[str, ...],
    subassemblies: tuple[str, ...],
    steps: tuple[str, ...],
    runs: tuple[str, ...],
    parts: tuple[str, ...],
    caption: str | None,
    as_json: bool,
) -> int:
    """Say what pictures show. Your word wins over every proposal.

    \b
    Example:
      lastlook tag p3fa9c21b07de --in MAST --run W03 --caption "splice at the mast foot"
    """
    decision, found = deciding.tag(store, picture_ids, targets(subassemblies, steps, runs, parts), caption)
    _tell(store, decision, found, as_json)
    return 0


@click.command(no_args_is_help=True)
@click.argument("picture_ids", metavar="PICTURE...", nargs=-1, required=True)
@target_options
@by_option
@json_option
@needs_store
def untag(
    store: Store,
    picture_ids: tuple[str, ...],
    subassemblies: tuple[str, ...],
    steps: tuple[str, ...],
    runs: tuple[str, ...],
    parts: tuple[str, ...],
    as_json: bool,
) -> int:
    """Say what pictures do not show. A proposal that you took off does not come back.

    \b
    Example:
      lastlook untag p3fa9c21b07de --run W04
    """
    decision, found = deciding.untag(store, picture_ids, targets(subassemblies, steps, runs, parts))
    _tell(store, decision, found, as_json)
    return 0


def _tell(store: Store, decision: Decision, found: list[Picture], as_json: bool) -> None:
    if as_json:
        print_json({"decision": decision.uid, "pictures": [picture_json(picture, store.zone) for picture in found]})
        return
    for picture in found:
        click.echo(picture_line(picture, store.zone))
    click.echo(f"Recorded by {decision.by}. Take it back with 'lastlook undo {decision.uid[:8]}'.")


@click.command(no_args_is_help=True)
@click.argument("opening")
@click.option("--at", required=True, metavar="T", help="When, like '2026-03-27 16:10' or 2026-03-27.")
@click.option("--method", default="", metavar="TEXT", help="How: the adhesive, the screws.")
@click.option("--with-gaps", is_flag=True, help="Record it although lines of the check are open: it was closed so.")
@by_option
@json_option
@needs_store
def close(store: Store, opening: str, at: str, method: str, with_gaps: bool, as_json: bool) -> int:
    """Check an OPENING, then record that it was closed, with the last look of what it hides.

    While lines of the check are open nothing is recorded: put them right, or let a named person waive each
    ('lastlook waive'). What was closed with gaps all the same is recorded as such with --with-gaps. Exit code 1: closed
    with gaps, or not recorded.

    \b
    Example:
      lastlook close O4 --at "2026-03-27 16:10" --method "two-part epoxy"
    """
    from lastlook import closing_check
    from lastlook.cli.closing_looking import check_json, check_lines, verdict_words

    closed = closing_check.close(store, opening, at, method, with_gaps=with_gaps)
    if closed.decision is None:
        if as_json:
            print_json({"decision": None, "check": check_json(store, closed.check)})
        else:
            for line in check_lines(store, closed.check, only_open=True):
                click.echo(line)
            click.echo("Nothing was recorded. If it was closed so: 'lastlook close … --with-gaps'.")
        return 1
    _tell_act(store, closed.decision, "closed", as_json, closed.check)
    if not as_json:
        click.echo(verdict_words(closed.check) + ("" if closed.check.ready else " Recorded as closed with these gaps."))
        click.echo(f"The last look of {', '.join(closed.check.hides) or 'nothing'} is kept: 'lastlook look {opening}'.")
    return 0 if closed.check.ready else 1


@click.command(no_args_is_help=True)
@click.argument("opening")
@click.option("--at", required=True, metavar="T", help="When.")
@by_option
@json_option
@needs_store
def reopen(store: Store, opening: str, at: str, as_json: bool) -> int:
    """Record that an OPENING was opened again.

    \b
    Example:
      lastlook reopen O5 --at 2026-04-16
    """
    decision = deciding.reopen(store, opening, at)
    _tell_act(store, decision, "opened again", as_json)
    return 0


def _tell_act(store: Store, decision: Decision, word: str, as_json: bool, check: Check | None = None) -> None:
    body: Mapping[str, Any] = decision.body
    earliest, latest = times.parse_rfc3339(body["earliest"]), times.parse_rfc3339(body["latest"])
    if as_json:
        from lastlook.cli.closing_looking import check_json

        print_json(
            {
                "decision": decision.uid,
                "opening": body["opening"],
                "earliest": instant(earliest, store.zone),
                "latest": instant(latest, store.zone),
                **({"check": check_json(store, check)} if check is not None else {}),
            }
        )
        return
    click.echo(f"{body['opening']} {word}: {times.describe_interval(earliest, latest, store.zone)}.")
    click.echo(f"Recorded by {decision.by}. Take it back with 'lastlook undo {decision.uid[:8]}'.")


@click.command()
@click.option("--limit", type=click.IntRange(1, 10000), default=20, show_default=True, help="How many are listed.")
@json_option
@needs_store
def history(store: Store, limit: int, as_json: bool) -> int:
    """List decisions, the newest first: tags, closings, plans, clocks, and what was taken back.

    \b
    Example:
      lastlook history --limit 50
    """
    from lastlook.catalogue import decisions

    found = decisions.latest(store.catalogue, (*deciding.UNDOABLE, "undo"), limit)
    if as_json:
        print_json(
            {
                "decisions": [
                    {
                        "decision": decision.uid,
                        "at": instant(decision.at, store.zone),
                        "by": decision.by,
                        "kind": decision.kind,
                        "what": decision_words(decision),
                        "undone": undone,
                        "undoes": decision.undoes or None,
                    }
                    for decision, undone in found
                ]
            }
        )
        return 0
    if not found:
        click.echo("Nothing has been decided yet.")
    for decision, undone in found:
        when = times.format_rfc3339(decision.at.replace(microsecond=0), store.zone)
        mark = "  (taken back)" if undone else ""
        click.echo(
            f"{decision.uid[:8]}  {when}  {harmless(decision.by):<10} {harmless(decision_words(decision))}{mark}"
        )
    return 0


@click.command()
@click.argument("decision", default="")
@by_option
@json_option
@needs_store
def undo(store: Store, decision: str, as_json: bool) -> int:
    """Take back a DECISION (the beginning of its id), else the last one that stands. It stays on record.

    \b
    Example:
      lastlook undo
      lastlook undo 3f9a02c1
    """
    with progress.shown() as store.report:
        target, undone = deciding.undo(store, decision)
    if as_json:
        print_json({"undone": target.uid, "decision": undone.uid})
    else:
        click.echo(f"Taken back: {harmless(decision_words(target))}.")
        click.echo(f"To have it again: 'lastlook undo {undone.uid[:8]}'.")
    return 0
