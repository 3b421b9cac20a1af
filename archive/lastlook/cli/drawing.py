"""`mark`, `tie`: draw on pictures, and say which places of two pictures are one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from lastlook.cli.common import by_option, json_option, needs_store, plural, print_json
from lastlook.cli.points import PAIR, POINT, found_json, sentence
from lastlook.errors import ArchiveError, UsageError
from lastlook.store import Store

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from lastlook.marking import Mark


@click.command(no_args_is_help=True)
@click.argument("picture")
@click.argument("shape", required=False)
@click.argument("points", nargs=-1, type=POINT)
@click.option("--of", default="", metavar="ID", help="The run, part or subassembly it shows.")
@click.option("--label", default="", metavar="TEXT", help="A few words beside it.")
@click.option("--follow", is_flag=True, help="Follow the wire between the points, along its colour and edges.")
@by_option
@json_option
@needs_store
def mark(
    store: Store,
    picture: str,
    shape: str | None,
    points: tuple[tuple[float, float], ...],
    of: str,
    label: str,
    follow: bool,
    as_json: bool,
) -> int:
    """Draw on a PICTURE: a trace, point, region, outline or dimension.

    Points are X,Y in pixels of the upright picture. Without a SHAPE, what is drawn on it is listed. 'lastlook undo'
    takes the last one back.

    \b
    Example:
      lastlook mark p3fa9c21b07de trace 412,880 655,902 --of W07 --follow
      lastlook mark p3fa9c21b07de outline 95,120 1830,140 1815,960 90,935
    """
    from lastlook import marking
    from lastlook.catalogue import pictures

    if shape is None:
        found = marking.marks(store, pictures.find(store.catalogue, picture).id)
        if as_json:
            print_json({"marks": [_mark_json(each) for each in found]})
        else:
            for each in found:
                click.echo(_mark_line(each))
            if not found:
                click.echo("Nothing is drawn on this picture.")
        return 0 if found else 1
    like: float | None = None
    drawn = points
    if follow:
        drawn, like = _follow(store, picture, shape, points)
    done = marking.mark(store, picture, shape, drawn, of, label)
    if as_json:
        print_json({**_mark_json(done), "likeness": like})
    else:
        click.echo(_mark_line(done))
        if like is not None and like < 0.5:
            click.echo("  It may have left the wire somewhere: look at it, and give a point more where it did.")
    return 0


def _follow(
    store: Store, picture: str, shape: str, points: tuple[tuple[float, float], ...]
) -> tuple[tuple[tuple[float, float], ...], float]:
    from lastlook import picturing
    from lastlook.catalogue import pictures
    from lastlook.registration import trace

    if shape != "trace":
        raise UsageError("only a trace follows a wire", "Leave --follow out, or draw a trace.")
    loaded = picturing.load(store, pictures.find(store.catalogue, picture))
    try:
        found = trace.follow(loaded.rgb, loaded.to_work(_array(points)))
    except ValueError as error:
        raise UsageError(str(error), "Give two or more points on the wire.") from None
    return tuple((float(x), float(y)) for x, y in loaded.to_full(found.line)), found.likeness


@click.command(no_args_is_help=True)
@click.argument("first")
@click.argument("second")
@click.argument("pairs", nargs=-1, type=PAIR)
@by_option
@json_option
@needs_store
def tie(
    store: Store,
    first: str,
    second: str,
    pairs: tuple[tuple[tuple[float, float], tuple[float, float]], ...],
    as_json: bool,
) -> int:
    """Say that places of two pictures are one place of the model, as X,Y=X,Y.

    Without pairs, they are listed with how well they fit. Six, spread along the flange, are a good number. All must lie
    on the skin itself: what stands above it or lies below it is not always told apart, and the band does not allow for
    it.

    \b
    Example:
      lastlook tie p3fa9c21b07de p81c07733a9f0 95,120=310,96 1830,140=1902,455
    """
    from lastlook import marking, picturing
    from lastlook.catalogue import pictures
    from lastlook.registering import register
    from lastlook.registration.plane import PlaneMap

    if pairs:
        marking.tie(store, first, second, pairs)
    a, b = (pictures.find(store.catalogue, each) for each in (first, second))
    one, two, uids = marking.ties(store, a.id, b.id)
    try:
        hung = register(store, picturing.load(store, a), picturing.load(store, b))
    except ArchiveError as error:  # what was said is kept all the same, and whoever says it again would say it twice
        return _without_fit(a.id, b.id, one, two, uids, error, as_json)
    fits = isinstance(hung.found, PlaneMap)
    residuals: dict[str, float] = {}
    if isinstance(hung.found, PlaneMap):
        scale = hung.outside.scale
        residuals = {
            name: float(away) / scale for name, away in zip(hung.found.ties.name, hung.found.residuals, strict=True)
        }
    rows = [
        {
            "tie": n + 1,
            "a": one[n].tolist(),
            "b": two[n].tolist(),
            "residual_px": residuals.get(f"tie {n + 1}"),
            "decision": uids[n],
        }
        for n in range(len(one))
    ]
    if as_json:
        print_json(
            # What it rests on has ties by their source; here they are told one by one.
            {**found_json(hung.found), "a": a.id, "b": b.id, "ties": rows, "registered": fits, "said": [*hung.said]}
        )
        return 0 if fits else 1
    for n, row in enumerate(rows):
        away = row["residual_px"]
        fit = f"{away:.1f} px off" if isinstance(away, float) else "not used"
        click.echo(f"  tie {row['tie']}: {_xy(one[n])} = {_xy(two[n])}  {fit}  ({str(row['decision'])[:8]})")
    click.echo(plural(len(rows), "tie") if rows else "No place of these two pictures is tied.")
    for line in hung.said:
        click.echo(line)
    if not isinstance(hung.found, PlaneMap):
        click.echo(f"Not registered: {hung.found.why}.")
        click.echo(f"  {sentence(hung.found.help)}")
    return 0 if fits else 1


def _without_fit(
    a: str,
    b: str,
    one: NDArray[np.float64],
    two: NDArray[np.float64],
    uids: Sequence[str],
    error: ArchiveError,
    as_json: bool,
) -> int:
    """The ties that are kept, where a picture cannot be read and so nothing tells how well they fit."""
    if as_json:
        rows = [
            {"tie": n + 1, "a": p.tolist(), "b": q.tolist(), "residual_px": None, "decision": uid}
            for n, (p, q, uid) in enumerate(zip(one, two, uids, strict=True))
        ]
        print_json({"a": a, "b": b, "ties": rows, "registered": False, "why": error.message, "help": error.hint})
        return 1
    for n, (p, q, uid) in enumerate(zip(one, two, uids, strict=True)):
        click.echo(f"  tie {n + 1}: {_xy(p)} = {_xy(q)}  ({uid[:8]})")
    click.echo(f"{plural(len(uids), 'tie')} kept. How well they fit cannot be told: {error.message}.")
    click.echo(f"  {error.hint}")
    return 1


def _mark_json(each: Mark) -> dict[str, object]:
    return {
        "picture": each.picture,
        "shape": each.shape,
        "of": each.of or None,
        "label": each.label,
        "points": each.points.tolist(),
        "by": each.by,
        "decision": each.decision,
    }


def _mark_line(each: Mark) -> str:
    words = " ".join(part for part in (each.of, f"“{each.label}”" if each.label else "") if part)
    return f"  {each.shape:<9} {words or '-':<12} {plural(len(each.points), 'point')}  {each.by}  ({each.decision[:8]})"


def _xy(point: Sequence[float]) -> str:
    return f"{point[0]:.0f},{point[1]:.0f}"


def _array(points: tuple[tuple[float, float], ...]) -> NDArray[np.float64]:
    import numpy as np

    return np.array(points, dtype=np.float64).reshape(-1, 2)
