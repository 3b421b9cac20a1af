"""`align`, `changes`, `sameview`, `length`, `calibrate`: pictures against each other, and in millimetres."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from lastlook.cli.common import by_option, json_option, needs_store, picture_json, picture_line, plural, print_json
from lastlook.cli.points import POINT, sentence
from lastlook.cli.progress import shown
from lastlook.cli.written import check_target, write
from lastlook.errors import UsageError
from lastlook.store import Store

if TYPE_CHECKING:
    from lastlook.aligning import Aligned, BeforeAfter


@click.command(no_args_is_help=True)
@click.argument("first")
@click.argument("second")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="Write SECOND as FIRST sees it, JPEG.")
@click.option("--force", is_flag=True, help="Write over a file that is there.")
@json_option
@needs_store
def align(store: Store, first: str, second: str, out: Path | None, force: bool, as_json: bool) -> int:
    """Lay the picture SECOND over FIRST, or say why that cannot be done.

    \b
    Example:
      lastlook align p3fa9c21b07de p81c07733a9f0 --out after.jpg
    """
    from lastlook import aligning

    if out is not None:
        check_target(out, force=force, store=store)
    found = aligning.align(store, first, second)
    if found.matrix is not None and out is not None:
        write(out, aligning.aligned_picture(found, 2400), force=force, store=store)
    if as_json:
        print_json(_aligned_json(found))
    else:
        for line in _aligned_lines(found):
            click.echo(line)
        if found.matrix is not None and out is not None:
            click.echo(f"Written: {out}")
    return 0 if found.matrix is not None else 1


@click.command(no_args_is_help=True)
@click.argument("first")
@click.argument("second")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="Write both and the places, JPEG.")
@click.option("--force", is_flag=True, help="Write over a file that is there.")
@json_option
@needs_store
def changes(store: Store, first: str, second: str, out: Path | None, force: bool, as_json: bool) -> int:
    """What changed from FIRST to SECOND: structure that came, went or moved.

    Light and noise are taken out. A small change may be missed: nothing found is no proof that nothing changed.

    \b
    Example:
      lastlook changes p3fa9c21b07de p81c07733a9f0 --out changes.jpg
    """
    from lastlook import aligning, marking

    if out is not None:
        check_target(out, force=force, store=store)
    found = aligning.align(store, first, second)
    if found.matrix is None:
        if as_json:
            print_json(_aligned_json(found))
        else:
            for line in _aligned_lines(found):
                click.echo(line)
        return 1
    seen = aligning.changes(found, marking.outline(store, found.first.picture.id))
    if out is not None:
        write(out, aligning.change_picture(found, seen), force=force, store=store)
    scale = found.first.scale
    places = [
        {
            "middle": [round(float(v), 1) for v in found.first.to_full(each.middle)],
            "area_px": round(each.area_px / scale**2),
            "strength": round(each.strength, 2),
            "outline": [[round(float(x), 1), round(float(y), 1)] for x, y in found.first.to_full(each.outline)],
        }
        for each in seen.places
    ]
    if as_json:
        print_json({**_aligned_json(found), "share": round(seen.share, 4), "places": places})
        return 0
    for n, place in enumerate(seen.places, start=1):
        x, y = found.first.to_full(place.middle)
        click.echo(f"  {n}. at {x:.0f},{y:.0f}, {place.area_px / scale**2:.0f} px², strength {place.strength:.2f}")
    click.echo(f"{plural(len(places), 'changed place')}, {seen.share:.1%} of what both show.")
    if out is not None:
        click.echo(f"Written: {out}")
    return 0


@click.command(no_args_is_help=True)
@click.argument("picture")
@click.option("--most", type=click.IntRange(1, 5000), default=80, show_default=True, help="How many are compared.")
@json_option
@needs_store
def sameview(store: Store, picture: str, most: int, as_json: bool) -> int:
    """Other pictures of the same place and side, earlier and later. Likely ones are compared point by point.

    \b
    Example:
      lastlook sameview p3fa9c21b07de
    """
    from lastlook import same_views

    with shown(quiet=as_json) as report:
        found = same_views.same_view(store, picture, most=most, report=report)
    if as_json:
        print_json(
            {
                "picture": found.picture.id,
                "asked": found.asked,
                "candidates": found.candidates,
                "same": [
                    {
                        **picture_json(each.picture, store.zone),
                        "agree": each.view.agree,
                        "through": each.through or None,
                    }
                    for each in found.same
                ],
                "mirrored": [each.picture.id for each in found.mirrored],
            }
        )
        return 0 if found.same else 1
    for each in found.same:
        through = f" with {each.through}" if each.through else ""
        click.echo(f"  {picture_line(each.picture, store.zone)}  {plural(each.view.agree, 'point')} agree{through}")
    click.echo(f"{plural(len(found.same), 'picture')} of the same place and side.")
    if found.mirrored:
        click.echo(f"Mirrored, so of the opposite side: {' '.join(each.picture.id for each in found.mirrored)}")
    if found.asked < found.candidates:
        click.echo(f"The likeliest {found.asked} of {found.candidates} were compared; --most compares more.")
    return 0 if found.same else 1


@click.command(no_args_is_help=True)
@click.argument("picture")
@click.argument("points", nargs=-1, type=POINT, required=True)
@json_option
@needs_store
def length(store: Store, picture: str, points: tuple[tuple[float, float], ...], as_json: bool) -> int:
    """The length in mm of a line through points X,Y on a plane, and the angle at the middle of three.

    Scale comes from 'lastlook known' (a length, places, a marker or card) of the same picture and plane.

    \b
    Example:
      lastlook length p81c07733a9f0 310,96 1902,455
    """
    from lastlook import marking, measuring
    from lastlook.catalogue import pictures

    found = pictures.find(store.catalogue, picture)
    scale = measuring.scale_of(store, found)
    if scale is None:
        raise UsageError(
            f"nothing gives {found.id} a scale", "Say one: 'lastlook known length PICTURE X,Y X,Y MM', or a marker."
        )
    whole, angle = measuring.measured(scale, marking.places_on(found, points, 2).tolist())
    if as_json:
        print_json(
            {
                "picture": found.id,
                "length_mm": round(whole.value, 2),
                "within_mm": round(whole.within, 2),
                "angle_deg": round(angle.value, 2) if angle else None,
                "angle_within_deg": round(angle.within, 2) if angle else None,
                "scale_basis": scale.basis,
                "lens": scale.lens.basis if scale.lens else None,
            }
        )
        return 0
    click.echo(f"{whole.value:.1f} mm ± {whole.within:.1f} mm, on the plane of {scale.basis}")
    if angle is not None:
        click.echo(f"angle at the middle point {angle.value:.1f}° ± {angle.within:.1f}°")
    if scale.lens is not None:
        click.echo(f"lens {scale.lens.basis}")
    return 0


@click.command(no_args_is_help=True)
@click.argument("photos", nargs=-1, required=True, metavar="PICTURE…")
@click.option("--board", default="9x6", show_default=True, metavar="CxR", help="Inner corners of the chessboard.")
@by_option
@json_option
@needs_store
def calibrate(store: Store, photos: tuple[str, ...], board: str, as_json: bool) -> int:
    """Learn a camera's lens from photos of a flat printed chessboard, taken from different sides.

    Pictures of that camera are straightened from then on; 'lastlook undo' takes it back.

    \b
    Example:
      lastlook calibrate p11… p12… p13… p14… p15… --board 9x6
    """
    import numpy as np

    from lastlook import marking, picturing
    from lastlook.catalogue import pictures
    from lastlook.registration import camera

    try:
        columns, rows = (int(part) for part in board.lower().split("x"))
    except ValueError:
        columns, rows = 0, 0
    if not (3 <= columns <= 50 and 3 <= rows <= 50):
        raise UsageError(f"{board!r} is no board", "Give inner corners across and down, like 9x6.")
    found = [pictures.find(store.catalogue, typed) for typed in photos]
    cameras = {each.camera for each in found}
    if len(cameras) != 1 or not found[0].camera:
        raise UsageError("the photos are not all of one known camera", "Give photos of one camera.")
    focals = [each for each in (picturing.focal_35(store, one) for one in found) if each is not None]
    if focals and max(focals) > 1.03 * min(focals):
        raise UsageError(
            f"the photos were taken at several focal lengths, {min(focals):g} to {max(focals):g} mm",
            "Give photos of one lens, without zoom.",
        )
    loaded = [picturing.load(store, each, 4096) for each in found]
    try:
        done = camera.calibrate([(each.picture.id, np.ascontiguousarray(each.grey)) for each in loaded], columns, rows)
    except ValueError as error:
        raise UsageError(str(error), "Take five to fifteen photos of the whole board from different sides.") from None
    if done.rms_px > 2.0 * max(done.lens.size) / 1600:
        raise UsageError(
            f"the corners miss a lens by {done.rms_px:.1f} px: too much to be kept",
            "Glue the board flat, take sharper photos, leave out those with a fold or a blur.",
        )
    decision = marking.know_lens(store, found[0].camera, done, focals[0] if focals else None)
    if as_json:
        print_json(
            {
                "camera": found[0].camera,
                "size": list(done.lens.size),
                "focal_px": round(done.lens.focal, 2),
                "centre_px": [round(float(v), 2) for v in done.lens.centre],
                "distortion": [float(f"{v:.5g}") for v in done.lens.distortion],
                "rms_px": round(done.rms_px, 3),
                "used": done.used,
                "refused": list(done.refused),
                "decision": decision.uid,
            }
        )
        return 0
    click.echo(
        f"{found[0].camera}: focal length {done.lens.focal:.0f} px of {done.lens.size[0]} × {done.lens.size[1]},"
    )
    click.echo(f"  corners found within {done.rms_px:.2f} px (RMS) in {plural(done.used, 'photo')}")
    for line in done.refused:
        click.echo(f"  not used: {line}")
    return 0


def compared_json(found: BeforeAfter | None) -> dict[str, object] | None:
    """A pair of a time line. Shares are of the earlier picture's width and height, from its top left corner."""
    if found is None:
        return None
    if not found.aligned:
        return {"aligned": False, "reason": found.reason, "why": found.why, "help": found.help}
    return {
        "aligned": True,
        "error_px": round(found.error_px, 2),
        "basis": found.basis,
        "file": found.name,
        "changed_share": round(found.changed, 4),
        "places": [
            {"box": [round(value, 4) for value in each.box], "share": each.share, "strength": round(each.strength, 2)}
            for each in found.places
        ],
    }


def compared_words(found: BeforeAfter) -> str:
    if not found.aligned:
        return f"not aligned: {found.why}"
    return f"aligned, {plural(len(found.places), 'changed place')}"


def _aligned_json(found: Aligned) -> dict[str, object]:
    refusal = found.refusal
    return {
        "first": found.first.picture.id,
        "second": found.second.picture.id,
        "aligned": found.matrix is not None,
        "matrix": found.matrix.tolist() if found.matrix is not None else None,
        "error_px": round(found.error_px, 2) if found.matrix is not None else None,
        "basis": found.basis or None,
        **({"reason": refusal.reason.value, "why": refusal.why, "help": refusal.help} if refusal else {}),
    }


def _aligned_lines(found: Aligned) -> list[str]:
    if found.refusal is not None:
        return [f"Not aligned: {found.refusal.why}.", f"  {sentence(found.refusal.help)}"]
    return [f"Aligned by {found.basis}, within about {found.error_px:.0f} px."]
