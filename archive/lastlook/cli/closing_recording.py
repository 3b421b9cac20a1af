"""`view`, `change`, `measure`, `test`, `done`, `release`, `witness`, `waive`: what people record before a closing."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

from lastlook import recording
from lastlook.acts import Act
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
from lastlook.cli.saying import targets
from lastlook.closing.records import ChangeKind, MeasureKind, ViewKind
from lastlook.closing.testing import KINDS
from lastlook.records import Decision
from lastlook.store import Store
from lastlook.telling import decision_words

F = TypeVar("F", bound=Callable[..., Any])


def act_options(command: F) -> F:
    command = click.option("--person", default="", metavar="NAME", help="Who did it, if not the one who records it.")(
        command
    )
    return click.option("--at", default="", metavar="T", help="When, like '2026-03-24 13:30'; else now.")(command)


def named_options(command: F) -> F:
    command = click.option("--person", required=True, metavar="NAME", help="Who, by name.")(command)
    return click.option("--at", default="", metavar="T", help="When, like '2026-03-24 13:30'; else now.")(command)


def tell(decision: Decision, as_json: bool, **more: object) -> int:
    """What was recorded, and how to take it back."""
    if as_json:
        print_json({"decision": decision.uid, "kind": decision.kind, **dict(decision.body), **more})
        return 0
    click.echo(f"{harmless(decision_words(decision))}.")
    click.echo(f"Recorded by {decision.by}. Take it back with 'lastlook undo {decision.uid[:8]}'.")
    return 0


@click.command(no_args_is_help=True)
@click.argument("picture_ids", metavar="PICTURE...", nargs=-1, required=True)
@click.option("--in", "subassemblies", multiple=True, metavar="SUB", help="A subassembly that it shows.")
@click.option("--run", "runs", multiple=True, metavar="ID", help="A run that it shows.")
@click.option("--part", "parts", multiple=True, metavar="ID", help="A part that it shows.")
@click.option("--close/--context", "close", default=None, help="A close view, or a context view that shows the place.")
@click.option("--end", "ends", multiple=True, metavar="from|to", help="An end of the run that can be judged in it.")
@click.option("--crossing", "crossings", multiple=True, metavar="OPENING", help="The joint line crossed, seen in it.")
@click.option("--sharp/--not-sharp", default=None, help="Your own word on its sharpness; it wins over the figures.")
@click.option("--region", metavar="X,Y,W,H", help="The item's own part of the picture, in upright pixels.")
@by_option
@json_option
@needs_store
def view(
    store: Store,
    picture_ids: tuple[str, ...],
    subassemblies: tuple[str, ...],
    runs: tuple[str, ...],
    parts: tuple[str, ...],
    close: bool | None,
    ends: tuple[str, ...],
    crossings: tuple[str, ...],
    sharp: bool | None,
    region: str | None,
    as_json: bool,
) -> int:
    """Say how pictures show an item: close or in context, which end, which crossing.

    The closing check takes your word, never a proposal. Look at the picture at full size first.

    \b
    Example:
      lastlook view p3fa9c21b07de --run W03 --close --end to --sharp
      lastlook view p3fa9c21b07de --run W03 --run W04 --context
    """
    if close is None:
        raise click.UsageError("give --close or --context")
    kind = ViewKind.CLOSE if close else ViewKind.CONTEXT
    decision, found = recording.view(
        store,
        picture_ids,
        targets(subassemblies, (), runs, parts),
        kind,
        ends=ends,
        crossings=crossings,
        sharp=sharp,
        region=_region(region),
    )
    if as_json:
        return tell(decision, True, shown=[picture_json(picture, store.zone) for picture in found])
    for picture in found:
        click.echo(picture_line(picture, store.zone))
    return tell(decision, False)


def _region(text: str | None) -> tuple[int, int, int, int] | None:
    if text is None:
        return None
    try:
        x, y, width, height = (int(part) for part in text.split(","))
    except ValueError:
        raise click.UsageError(f"{text!r} is no region; write x,y,width,height, as in 410,220,300,180") from None
    return x, y, width, height


@click.command(no_args_is_help=True)
@click.argument("item")
@click.option("--kind", required=True, type=click.Choice([kind.value for kind in ChangeKind]), help="What happened.")
@click.option("--why", default="", metavar="TEXT", help="Why.")
@click.option("--length", type=float, metavar="MM", help="The run's cut length since then.")
@click.option("--colour", default="", metavar="CODE", help="The run's colour since then (IEC 60757).")
@act_options
@by_option
@json_option
@needs_store
def change(
    store: Store,
    item: str,
    kind: str,
    why: str,
    length: float | None,
    colour: str,
    at: str,
    person: str,
    as_json: bool,
) -> int:
    """Record that an ITEM was installed or changed. Earlier pictures and tests of it are stale from then on.

    \b
    Example:
      lastlook change W03 --at "2026-03-24 13:30" --kind lengthened --length 690 --why "taut at the mast foot"
    """
    decision = recording.change(store, item, kind, Act(at, person), why=why, length_mm=length, colour=colour)
    return tell(decision, as_json)


@click.command(no_args_is_help=True)
@click.argument("run")
@click.option(
    "--kind", required=True, type=click.Choice([kind.value for kind in MeasureKind]), help="What was measured."
)
@click.option("--mm", required=True, type=float, metavar="MM", help="The length in millimetres.")
@click.option("--instrument", default="", metavar="TEXT", help="With what.")
@act_options
@by_option
@json_option
@needs_store
def measure(store: Store, run: str, kind: str, mm: float, instrument: str, at: str, person: str, as_json: bool) -> int:
    """Record a length of a RUN: what it is cut to, its route, its tail, its way on the far side of a joint, its bend.

    A length that is measured is no change: it makes nothing stale.

    \b
    Example:
      lastlook measure W03 --kind tail --mm 310 --at "2026-03-26 09:00"
      lastlook measure W03 --kind far-side --mm 220
    """
    return tell(recording.measure(store, run, kind, mm, Act(at, person), instrument=instrument), as_json)


@click.command(no_args_is_help=True)
@click.argument("subject")
@click.option("--kind", required=True, metavar="NAME", help=f"{', '.join(KINDS)}, or a name of your own.")
@click.option("--pass/--fail", "passed", default=None, help="What came out.")
@click.option("--value", type=float, metavar="NUMBER", help="The figure that was read.")
@click.option("--unit", default="", metavar="UNIT", help="Its unit: Ω, V, mA.")
@click.option("--text", default="", metavar="TEXT", help="What was seen.")
@click.option("--instrument", default="", metavar="TEXT", help="With what it was read.")
@click.option("--through", default="", metavar="CONNECTOR", help="The connector it was made through.")
@act_options
@by_option
@json_option
@needs_store
def test(
    store: Store,
    subject: str,
    kind: str,
    passed: bool | None,
    value: float | None,
    unit: str,
    text: str,
    instrument: str,
    through: str,
    at: str,
    person: str,
    as_json: bool,
) -> int:
    """Record a test of a run, part, subassembly, step or opening.

    \b
    Example:
      lastlook test W03 --kind polarity --value 4.98 --unit V --instrument "meter 2" --pass
      lastlook test W03 --kind polarity --value 4.97 --unit V --instrument "meter 2" --through J1 --pass
      lastlook test P-FOOT --kind cure-temperature --value 14 --pass
    """
    if passed is None:
        raise click.UsageError("give --pass or --fail")
    decision = recording.record_test(
        store,
        subject,
        kind,
        passed,
        Act(at, person),
        value=value,
        unit=unit,
        text=text,
        instrument=instrument,
        through=through,
    )
    return tell(decision, as_json)


@click.command(no_args_is_help=True)
@click.argument("step")
@click.option("--words", default="", metavar="TEXT", help="What is worth noting.")
@act_options
@by_option
@json_option
@needs_store
def done(store: Store, step: str, words: str, at: str, person: str, as_json: bool) -> int:
    """Record that a STEP was finished.

    \b
    Example:
      lastlook done S09 --at "2026-03-24 15:00"
    """
    return tell(recording.done(store, step, Act(at, person), words=words), as_json)


@click.command(no_args_is_help=True)
@click.argument("target", metavar="STEP|OPENING")
@click.option("--words", default="", metavar="TEXT", help="The words of the release.")
@named_options
@by_option
@json_option
@needs_store
def release(store: Store, target: str, words: str, at: str, person: str, as_json: bool) -> int:
    """Record that a named person lets work pass a hold point, a review or an approval, or lets an opening be closed.

    The program releases nothing. While something due before it is open, a release is refused: put it right, or let a
    named person waive it. It counts for what it surely came after, and for a closing that surely came after it: work,
    changes and failed tests later on make it stale.

    \b
    Example:
      lastlook release S11 --person "M. Holm" --words "polarity seen on all four"
    """
    decision = recording.release(store, target, Act(at, person), words=words)
    return tell(decision, as_json)


@click.command(no_args_is_help=True)
@click.argument("step")
@click.option("--attended/--told", default=None, help="Came and saw, or was told in time and did not come.")
@click.option("--words", default="", metavar="TEXT", help="What the witness said.")
@named_options
@by_option
@json_option
@needs_store
def witness(store: Store, step: str, attended: bool | None, words: str, at: str, person: str, as_json: bool) -> int:
    """Record a witness of a STEP: who came and saw, or was told in time and did not come. Say which.

    \b
    Example:
      lastlook witness S19 --person "the client" --told --at "2026-04-13 21:00"
    """
    if attended is None:
        raise click.UsageError("give --attended or --told")
    return tell(recording.witness(store, step, Act(at, person), attended=attended, words=words), as_json)


@click.command(no_args_is_help=True)
@click.argument("opening")
@click.argument("item")
@click.option("--what", default="", metavar="LINE", help="One line of its check, like 'to'; else all that is open.")
@click.option("--reason", required=True, metavar="TEXT", help="Why it is let pass without.")
@named_options
@by_option
@json_option
@needs_store
def waive(store: Store, opening: str, item: str, what: str, reason: str, at: str, person: str, as_json: bool) -> int:
    """Record that a named person lets an OPENING be closed without something of an ITEM.

    It counts as waived, never as passed, and lapses when the item is changed, or the opening is opened again. Give it
    a time that is surely before the closing.

    \b
    Example:
      lastlook waive O4 W10 --what to --reason "no line of sight past the hold-down" --person "M. Holm"
    """
    decision, covered = recording.waive(store, opening, item, Act(at, person), reason=reason, what=what)
    if not as_json:
        click.echo(f"Covers {plural(len(covered), 'line')}: {', '.join(line.key for line in covered)}.")
    return tell(decision, as_json, covers=[line.key for line in covered])
