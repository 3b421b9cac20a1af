"""`clock`: cameras, and how their clocks stand."""

from __future__ import annotations

from datetime import datetime

import click

from lastlook.cli.common import by_option, json_option, needs_store, plural, print_json
from lastlook.errors import UsageError
from lastlook.records import ClockCorrection
from lastlook.store import Store


@click.group(no_args_is_help=True)
def clock() -> None:
    """Cameras and how their clocks stand to true time. Corrections are separate, dated, and can be taken back.

    \b
    Example:
      lastlook clock list
    """


@clock.command("list")
@json_option
@needs_store
def list_clocks(store: Store, as_json: bool) -> int:
    """List cameras with the corrections in force.

    \b
    Example:
      lastlook clock list
    """
    from lastlook import retime
    from lastlook.catalogue import media

    cameras = media.cameras(store.catalogue)
    given = retime.all_corrections(store.catalogue)
    if as_json:
        print_json(
            {
                "cameras": [
                    {
                        "camera": key,
                        "files": count,
                        "corrections": [
                            {"decision": decision.uid, **retime.body_of(correction)}
                            for decision, correction in given
                            if correction.camera == key
                        ],
                    }
                    for key, count in cameras
                ]
            }
        )
        return 0
    if not cameras:
        click.echo("No camera yet: take pictures in with 'lastlook ingest PATH'.")
    for key, count in cameras:
        click.echo(f"{key or '(the file does not say)'}: {plural(count, 'file')}")
        for decision, correction in given:
            if correction.camera == key:
                click.echo(f"  {decision.uid[:8]}  {correction_words(correction)}")
    return 0


@clock.command("set", no_args_is_help=True)
@click.argument("camera")
@click.option("--error", "error_s", type=float, default=0.0, metavar="SECONDS", help="Camera minus true time.")
@click.option("--drift", type=float, default=0.0, metavar="SECONDS", help="How much the error grows a day.")
@click.option("--reference", metavar="T", help="Camera time at which the error holds (needed with --drift).")
@click.option("--uncertainty", type=click.FloatRange(min=0), default=2.0, show_default=True, metavar="SECONDS")
@click.option("--fixed-offset", metavar="±HH:MM", help="The clock is kept at this offset from UTC all year.")
@click.option("--since", metavar="T", help="Only from this camera time on.")
@click.option("--until", metavar="T", help="Only up to this camera time.")
@click.option("--note", default="", help="How you know.")
@by_option
@json_option
@needs_store
def set_clock(
    store: Store,
    camera: str,
    error_s: float,
    drift: float,
    reference: str | None,
    uncertainty: float,
    fixed_offset: str | None,
    since: str | None,
    until: str | None,
    note: str,
    as_json: bool,
) -> int:
    """Say how a CAMERA's clock stands. Times on its clock are written like 2026-03-29T10:00:00.

    \b
    Example:
      lastlook clock set "Lumet 8" --error -8060 --note "photographed beside the radio clock"
    """
    from lastlook import deciding

    correction = ClockCorrection(
        camera=camera,
        error_s=error_s,
        reference=wall_time(reference, "--reference"),
        drift_s_per_day=drift,
        uncertainty_s=uncertainty,
        fixed_offset_min=offset_minutes(fixed_offset),
        since=wall_time(since, "--since"),
        until=wall_time(until, "--until"),
        note=note,
    )
    if drift and correction.reference is None:
        raise UsageError("a drift needs the time at which the error holds", "Give --reference.")
    decision, moved = deciding.correct_clock(store, correction)
    if as_json:
        print_json({"decision": decision.uid, "moved": moved})
    else:
        click.echo(f"{camera}: {correction_words(correction)}. {plural(moved, 'picture')} moved.")
        click.echo(f"Take it back with 'lastlook undo {decision.uid[:8]}'.")
    return 0


def correction_words(correction: ClockCorrection) -> str:
    parts = []
    if correction.fixed_offset_min is not None:
        sign = "-" if correction.fixed_offset_min < 0 else "+"
        hours, minutes = divmod(abs(correction.fixed_offset_min), 60)
        parts.append(f"kept at {sign}{hours:02}:{minutes:02} all year")
    if correction.error_s or not parts:
        word = "fast" if correction.error_s >= 0 else "slow"
        parts.append(f"{abs(correction.error_s):g} s {word}")
    if correction.drift_s_per_day:
        parts.append(f"{correction.drift_s_per_day:+g} s a day from {correction.reference}")
    parts.append(f"± {correction.uncertainty_s:g} s")
    if correction.since:
        parts.append(f"since {correction.since}")
    if correction.until:
        parts.append(f"until {correction.until}")
    return ", ".join(parts) + (f" ({correction.note})" if correction.note else "")


def wall_time(text: str | None, option: str) -> datetime | None:
    """A camera's own clock: no zone. Raises UsageError."""
    if text is None:
        return None
    try:
        wall = datetime.fromisoformat(text.strip())
    except ValueError:
        raise UsageError(f"{option}: {text!r} is no time", "Write it like 2026-03-29T10:00:00.") from None
    if wall.tzinfo is not None:
        raise UsageError(f"{option} is the camera's own clock and has no zone", "Leave the offset away.")
    return wall


def offset_minutes(text: str | None) -> int | None:
    """Minutes east of UTC of ±HH:MM. Raises UsageError."""
    if text is None:
        return None
    sign, _, rest = text.strip()[:1], "", text.strip()[1:]
    hours, colon, minutes = rest.partition(":")
    if sign in "+-" and colon and hours.isdigit() and minutes.isdigit() and int(hours) <= 14 and int(minutes) < 60:
        return (int(hours) * 60 + int(minutes)) * (-1 if sign == "-" else 1)
    raise UsageError(f"--fixed-offset: {text!r} is no offset from UTC", "Write it like +01:00.")
