"""`known`: say what is known in millimetres of pictures, markers and runs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from lastlook.cli.common import by_option, json_option, needs_store, print_json
from lastlook.cli.points import PAIR, POINT
from lastlook.errors import UsageError
from lastlook.store import Store

if TYPE_CHECKING:
    from lastlook.records import Decision


@click.group(no_args_is_help=True)
def known() -> None:
    """Say what is known in millimetres: a length, places, a marker's side, a depth.

    \b
    Example:
      lastlook known length p81c07733a9f0 310,96 1902,455 240
      lastlook known depth W07 9 --within 1
    """


@known.command("length")
@click.argument("picture")
@click.argument("first", type=POINT)
@click.argument("second", type=POINT)
@click.argument("mm", type=float)
@click.option("--within", default=0.5, show_default=True, metavar="MM", help="How far off it may be.")
@by_option
@json_option
@needs_store
def known_length(
    store: Store,
    picture: str,
    first: tuple[float, float],
    second: tuple[float, float],
    mm: float,
    within: float,
    as_json: bool,
) -> int:
    """A length on the skin between two points: of a rule in the frame, or measured on the model.

    \b
    Example:
      lastlook known length p81c07733a9f0 310,96 1902,455 240
    """
    from lastlook import marking

    return _kept(marking.know_length(store, picture, (first, second), mm, within), as_json)


@known.command("plane")
@click.argument("picture")
@click.argument("places", nargs=-1, type=PAIR, required=True)
@by_option
@json_option
@needs_store
def known_plane(
    store: Store, picture: str, places: tuple[tuple[tuple[float, float], tuple[float, float]], ...], as_json: bool
) -> int:
    """Four or more points of the skin whose places are known, as X,Y=MM,MM.

    \b
    Example:
      lastlook known plane p81c07733a9f0 95,120=0,0 1830,140=260,0 1815,960=260,90 90,935=0,90
    """
    from lastlook import marking

    return _kept(
        marking.know_plane(store, picture, [each[0] for each in places], [each[1] for each in places]), as_json
    )


@known.command("marker")
@click.argument("name")
@click.argument("mm", type=float)
@click.option("--on", "picture", default="", metavar="PICTURE", help="It lies on the model's skin in this picture.")
@click.option("--stays", is_flag=True, help="It stays in one place of the model: it joins pictures as well.")
@by_option
@json_option
@needs_store
def known_marker(store: Store, name: str, mm: float, picture: str, stays: bool, as_json: bool) -> int:
    """A printed marker (36h11-7, or card for a bench card) on the model, and the side of its black border.

    \b
    Example:
      lastlook known marker 36h11-7 22 --stays
      lastlook known marker card 14 --on p81c07733a9f0
    """
    from lastlook import marking

    return _kept(marking.know_marker(store, name, mm, picture=picture, stays=stays), as_json)


@known.command("depth")
@click.argument("id")
@click.argument("mm", type=float, required=False)
@click.option("--within", default=1.0, show_default=True, metavar="MM", help="How far off it may be.")
@click.option("--least", type=float, metavar="MM", help="Where only limits are known: the least.")
@click.option("--most", type=float, metavar="MM", help="Where only limits are known: the most.")
@by_option
@json_option
@needs_store
def known_depth(
    store: Store, id: str, mm: float | None, within: float, least: float | None, most: float | None, as_json: bool
) -> int:
    """How far a run lies below the skin's outer face, or what is in a subassembly or behind an opening.

    \b
    Example:
      lastlook known depth W07 9 --within 1
      lastlook known depth O2 --least 4 --most 15
    """
    from lastlook import marking

    if mm is None and most is None:
        raise UsageError("no depth was given", "Give MM, or --least and --most.")
    return _kept(marking.know_depth(store, id, mm or 0.0, within, least=least, most=most), as_json)


def _kept(decision: Decision, as_json: bool) -> int:
    if as_json:
        print_json({"decision": decision.uid, **decision.body})
        return 0
    click.echo(f"Kept as {decision.uid[:8]}. 'lastlook undo' takes it back.")
    return 0
