"""`mark`, `tie`, `known`, `locate`: draw on pictures, and find a run on a picture of the finished skin."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from lastlook.cli.common import by_option, json_option, needs_store, plural, print_json, where
from lastlook.errors import UsageError
from lastlook.store import Store

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from lastlook.locate import Located, Under
    from lastlook.marking import Mark
    from lastlook.records import Decision

    _Point = click.ParamType[tuple[float, float]]
    _Pair = click.ParamType[tuple[tuple[float, float], tuple[float, float]]]
else:
    _Point = _Pair = click.ParamType  # it takes a parameter for the type checker only, in older versions


class PointType(_Point):
    """X,Y in pixels."""

    name = "X,Y"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, float]:
        if isinstance(value, tuple):
            return float(value[0]), float(value[1])
        try:
            x, y = (float(part) for part in str(value).split(","))
        except ValueError:
            self.fail(f"{value!r} is no point; give X,Y in pixels of the upright picture, like 1204,877", param, ctx)
        return x, y


class PairType(_Pair):
    """X,Y=X,Y."""

    name = "X,Y=X,Y"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[tuple[float, float], tuple[float, float]]:
        first, equals, second = str(value).partition("=")
        if not equals:
            self.fail(f"{value!r} is no pair; give X,Y=X,Y", param, ctx)
        one = POINT.convert(first, param, ctx)
        return one, POINT.convert(second, param, ctx)


POINT, PAIR = PointType(), PairType()


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

    Without pairs, they are listed with how well they fit. Six, spread along the flange, are a good number; all of them
    on the skin.

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
    hung = register(store, picturing.load(store, a), picturing.load(store, b))
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
        print_json({"a": a.id, "b": b.id, "ties": rows, "registered": fits, **_found_json(hung.found)})
        return 0 if fits else 1
    for n, row in enumerate(rows):
        away = row["residual_px"]
        fit = f"{away:.1f} px off" if isinstance(away, float) else "not used"
        click.echo(f"  tie {row['tie']}: {_xy(one[n])} = {_xy(two[n])}  {fit}  ({str(row['decision'])[:8]})")
    click.echo(plural(len(rows), "tie") if rows else "No place of these two pictures is tied.")
    if not isinstance(hung.found, PlaneMap):
        click.echo(f"Not registered: {hung.found.why}.")
        click.echo(f"  {hung.found.help[:1].upper()}{hung.found.help[1:]}.")
    return 0 if fits else 1


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


@click.command(no_args_is_help=True)
@click.argument("what", metavar="RUN|PICTURE")
@click.option("--on", required=True, metavar="PICTURE", help="The picture of the finished skin.")
@click.option("--inside", default="", metavar="PICTURE", help="The inside picture to carry from; else the best one.")
@click.option("--at", "place", type=POINT, metavar="X,Y", help="List what is near this place of the skin.")
@click.option("--margin", type=click.FloatRange(0, 50), metavar="MM", help="Added to the band.  [default: 0.2]")
@click.option("--png", type=click.Path(path_type=Path, dir_okay=False), help="Write the overlay as a picture.")
@click.option("--svg", type=click.Path(path_type=Path, dir_okay=False), help="Write the overlay as a drawing.")
@click.option("--pdf", type=click.Path(path_type=Path, dir_okay=False), help="Write a 1:1 template for the skin.")
@click.option("--mirror", is_flag=True, help="Turn the template over, for the opposite half.")
@click.option("--paper", type=click.Choice(["A4", "Letter"]), default="A4", show_default=True, help="For the template.")
@json_option
@needs_store
def locate(
    store: Store,
    what: str,
    on: str,
    inside: str,
    place: tuple[float, float] | None,
    margin: float | None,
    png: Path | None,
    svg: Path | None,
    pdf: Path | None,
    mirror: bool,
    paper: str,
    as_json: bool,
) -> int:
    """Where a run, or all that is marked on a picture, passes on a picture of the finished skin, with a keep-out band.

    The drawn route is an estimate: disconnect all supply, keep outside the marked band, use a depth stop and confirm by
    another means before cutting.

    \b
    Example:
      lastlook locate W07 --on p81c07733a9f0 --pdf w07.pdf
      lastlook locate W07 --on p81c07733a9f0 --at 1204,877
    """
    from lastlook import locate as locating
    from lastlook import overlay, template
    from lastlook.registration import band

    found = locating.locate(store, what, on, inside=inside, margin=band.MARGIN_MM if margin is None else margin)
    near = locating.under(found, place) if place is not None else None
    written = []
    if found.carried:
        makers: list[tuple[Path | None, Callable[[], bytes]]] = [
            (png, lambda: overlay.png(found)),
            (svg, lambda: overlay.svg(found).encode("utf-8")),
            (pdf, lambda: template.pdf(store, found, mirror=mirror, paper=paper)),
        ]
        for path, make in makers:
            if path is not None:
                _write(path, make())
                written.append(path)
    if as_json:
        print_json(located_json(found, near))
    else:
        for line in located_lines(found, near):
            click.echo(line)
        for path in written:
            click.echo(f"Written: {path}")
    return 0 if found.carried and all(each.band is not None for each in found.carried) else 1


def located_json(found: Located, near: list[Under] | None = None) -> dict[str, object]:
    import numpy as np

    from lastlook.registration.band import CAUTION

    registration = found.registration
    cameras = registration.cameras
    runs = []
    for each in found.carried:
        edge = each.edge(registration.outside)
        runs.append(
            {
                "of": each.mark.of or None,
                "label": each.mark.label,
                "mark": each.mark.decision,
                "line_px": _round(each.line),
                "band_px": _round(edge) if edge is not None else None,
                "band_mm": _round(each.band.edge, 2) if each.band is not None else None,
                "line_mm": _round(each.band.skin, 2) if each.band is not None else None,
                "half_width_mm": round(float(np.median(each.band.half)), 2) if each.band is not None else None,
                "half_width_most_mm": round(float(each.band.half.max()), 2) if each.band is not None else None,
                "registration_error_mm": round(float(np.median(each.band.registration)), 2) if each.band else None,
                "depth_error_mm": round(float(np.median(each.band.depth)), 2) if each.band else None,
                "half_bundle_mm": round(each.band.half_bundle, 2) if each.band else None,
                "margin_mm": each.band.margin if each.band else None,
                "depth_mm": round(each.depth.mm, 2),
                "depth_basis": each.depth.basis,
                "length_mm": round(each.length_mm, 1) if each.length_mm is not None else None,
            }
        )
    body: dict[str, object] = {
        "inside": found.inside.id,
        "on": found.outside.id,
        "registered": found.refusal is None,
        **_found_json(registration.found),
        "scale_basis": registration.scale_basis or None,
        "inside_tilt_deg": round(cameras.best.tilt_a(), 1) if cameras is not None else None,
        "outside_tilt_deg": round(cameras.best.tilt_b(), 1) if cameras is not None else None,
        "runs": runs,
        "other_inside": list(found.others),
        "said": list(found.said),
        "caution": CAUTION,
    }
    if near is not None:
        body["under"] = [
            {
                "of": each.carried.mark.of or None,
                "label": each.carried.mark.label,
                "to_line_mm": round(each.to_line_mm, 2),
                "to_band_mm": round(each.to_band_mm, 2),
                "inside_band": each.to_band_mm <= 0,
            }
            for each in near
        ]
    return body


def located_lines(found: Located, near: list[Under] | None) -> list[str]:
    import numpy as np

    from lastlook.registration.band import CAUTION

    lines = [f"{where(found.inside)} ({found.inside.id}) onto {where(found.outside)} ({found.outside.id})"]
    if found.refusal is not None:
        return [*lines, f"Not registered: {found.refusal.why}.", f"  {_sentence(found.refusal.help)}"]
    for each in found.carried:
        name = f"{each.mark.of} {each.title}".strip() or each.mark.label or "mark"
        if each.band is None:
            lines.append(f"  {name}: carried, but without a band")
            continue
        half = each.band
        lines.append(
            f"  {name}: keep-out band {np.median(half.half):.1f} mm to each side, up to {half.half.max():.1f}"
            f" (registration {np.median(half.registration):.1f}, depth {np.median(half.depth):.1f},"
            f" half bundle {half.half_bundle:.1f}, margin {half.margin:.1f})"
        )
        lines.append(f"      depth {each.depth.basis}" + (f"; {each.length_mm:.0f} mm long" if each.length_mm else ""))
    if near is not None:
        lines.append("Here:")
        for one in near[:8]:
            name = one.carried.mark.of or one.carried.mark.label or "mark"
            state = "INSIDE its band" if one.to_band_mm <= 0 else f"{one.to_band_mm:.1f} mm outside its band"
            lines.append(f"  {name}: {one.to_line_mm:.1f} mm from its line, {state}")
        if not near:
            lines.append("  Nothing can be said in mm: no length is known.")
    lines += [*found.said]
    if found.others:
        lines.append(f"Other inside pictures: {' '.join(found.others)}")
    return [*lines, CAUTION]


def _found_json(found: object) -> dict[str, object]:
    from lastlook.registration.plane import PlaneMap, Refusal

    if isinstance(found, Refusal):
        return {"reason": found.reason.value, "why": found.why, "help": found.help}
    if not isinstance(found, PlaneMap):
        return {}
    sources = [each.value for each in found.ties.source]
    return {
        "ties": {name: sources.count(name) for name in sorted(set(sources))},
        "rms_px": round(found.rms_px, 2),
        "dropped": list(found.dropped),
    }


def _kept(decision: Decision, as_json: bool) -> int:
    if as_json:
        print_json({"decision": decision.uid, **decision.body})
        return 0
    click.echo(f"Kept as {decision.uid[:8]}. 'lastlook undo' takes it back.")
    return 0


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


def _write(path: Path, data: bytes) -> None:
    temporary = path.with_name(f".{path.name}.new")
    try:
        temporary.write_bytes(data)
        temporary.replace(path)
    except OSError as error:
        raise UsageError(f"{path} cannot be written: {error.strerror}", "Give another place.") from error


def _xy(point: Sequence[float]) -> str:
    return f"{point[0]:.0f},{point[1]:.0f}"


def _round(points: NDArray[np.float64], digits: int = 1) -> list[list[float]]:
    return [[round(float(x), digits), round(float(y), digits)] for x, y in points]


def _array(points: tuple[tuple[float, float], ...]) -> NDArray[np.float64]:
    import numpy as np

    return np.array(points, dtype=np.float64).reshape(-1, 2)


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."
