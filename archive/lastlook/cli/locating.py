"""`locate`: find a run on a picture of the finished skin."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from lastlook.cli.common import json_option, needs_store, print_json, where
from lastlook.cli.points import POINT, found_json, sentence
from lastlook.cli.written import check_target, write
from lastlook.store import Store

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from lastlook.locate import Located, Under


@click.command(no_args_is_help=True)
@click.argument("what", metavar="RUN|PICTURE")
@click.option("--on", required=True, metavar="PICTURE", help="The picture of the finished skin.")
@click.option("--inside", default="", metavar="PICTURE", help="The inside picture to carry from; else the best one.")
@click.option("--at", "place", type=POINT, metavar="X,Y", help="List what is near this place of the skin.")
@click.option("--margin", type=float, metavar="MM", help="Added to the band, 0 to 50.  [default: 0.1]")
@click.option("--png", type=click.Path(path_type=Path, dir_okay=False), help="Write the overlay as a picture.")
@click.option("--svg", type=click.Path(path_type=Path, dir_okay=False), help="Write the overlay as a drawing.")
@click.option("--pdf", type=click.Path(path_type=Path, dir_okay=False), help="Write a 1:1 template for the skin.")
@click.option("--force", is_flag=True, help="Write over a file that is there.")
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
    force: bool,
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

    for path in (png, svg, pdf):
        if path is not None:
            check_target(path, force=force, store=store)
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
                write(path, make(), force=force, store=store)
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
        edge = each.edge
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
        **found_json(registration.found),
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
        return [*lines, f"Not registered: {found.refusal.why}.", f"  {sentence(found.refusal.help)}", CAUTION]
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
            lines.append("  Nothing can be said in mm: no length that can be believed is known.")
    lines += [*found.said]
    if found.others:
        lines.append(f"Other inside pictures: {' '.join(found.others)}")
    return [*lines, CAUTION]


def _round(points: NDArray[np.float64], digits: int = 1) -> list[list[float]]:
    return [[round(float(x), digits), round(float(y), digits)] for x, y in points]
