"""How cameras' clocks are told in the terminal and in JSON, and how their times are read from options."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any

import click

from lastlook.cli.common import harmless, instant, plural
from lastlook.errors import UsageError
from lastlook.records import ClockCorrection

if TYPE_CHECKING:
    from lastlook.clock_showing import CameraClock
    from lastlook.clocks.fit import Residual, Stretch


def standing(one: CameraClock) -> str:
    """How a clock stands, in a sentence."""
    parts = []
    if one.fit.stretches:
        last = one.fit.stretches[-1]
        count = len(one.cards.used)
        parts.append(f"{stretch_words(last)} by {plural(count, 'picture')} of the clock card.")
    elif not one.given:
        parts.append("Its clock was never checked." if one.camera else "They name no camera.")
    if one.given:
        parts.append(f"{plural(len(one.given), 'correction')} by hand.")
    if one.moved:
        parts.append(f"{plural(one.moved, 'picture')} moved.")
    return " ".join(parts)


def stretch_words(stretch: Stretch) -> str:
    from lastlook.times.clock import lasting

    error = stretch.error_s
    way = "fast" if error > 0 else "slow"
    words = "right" if abs(error) < 0.05 else f"{lasting(error)} {way}"
    if stretch.drift_s_per_day is not None:
        words += f" and {stretch.drift_s_per_day:+.2f} s a day"
    return f"{words} (± {stretch.doubt_s:.1f} s) on {stretch.first:%Y-%m-%d %H:%M}"


_CAME_BY = {
    "set": "then set anew",
    "zone": "then moved by whole quarter hours (another zone or summer time)",
    "half a day": "then moved by twelve hours (morning for evening)",
}


def show_clock(one: CameraClock, zone: str) -> None:
    from lastlook import times
    from lastlook.times.clock import lasting

    click.echo(f"{harmless(one.shown)}: {plural(one.files, 'file')}")
    if len(one.keys) > 1 or one.shown != one.camera:
        click.echo(f"  in its files: {', '.join(harmless(key) for key in one.keys if key) or 'nothing'}")
    if one.fit.fixed_offset_min is not None:
        click.echo(f"  keeps {_offset(one.fit.fixed_offset_min)} all year; does not follow summer time")
    for stretch in one.fit.stretches:
        if stretch.came_by:
            click.echo(f"  {_CAME_BY[stretch.came_by]}, by {lasting(stretch.jump_s)}:")
        click.echo(f"  {stretch_words(stretch)}, {plural(stretch.references, 'reference')}")
    if one.fit.residuals:
        click.echo("  pictures of the clock card:")
    for residual in one.fit.residuals:
        click.echo(f"    {_residual_words(residual)}")
    for reference in one.cards.ignored:
        click.echo(f"    {reference.picture}  left out by hand; 'lastlook clock use {reference.picture}' takes it in")
    for picture in one.cards.unread:
        click.echo(f"    {picture}  says nothing: its file holds no time of its camera to the second")
    for decision, correction in one.given:
        click.echo(f"  by hand, {decision.uid[:8]}: {correction_words(correction)}")
    if not one.fit.residuals and not one.given:
        click.echo("  never checked; photograph the clock card with it: 'lastlook clock card'")
    for noticed in one.noticed:
        click.echo(f"  noticed: {noticed.words}, in {plural(noticed.clips, 'clip')} such as {harmless(noticed.file)}")
    if one.moved:
        click.echo(f"  {plural(one.moved, 'picture')} moved, such as")
    for moved in one.examples:
        click.echo(
            f"    {moved.picture}  {moved.file}: {times.describe(moved.without, zone)}"
            f" → {times.describe(moved.now, zone)}"
        )


def _residual_words(one: Residual) -> str:
    from lastlook.times.clock import lasting

    way = "fast" if one.error_s > 0 else "slow"
    words = f"{one.reference.picture}  {one.reference.wall:%Y-%m-%d %H:%M:%S}  {lasting(one.error_s)} {way}"
    words += f" (± {one.width_s / 2:.1f} s)"
    words += "  fits nothing, not used" if one.outlier else f"  left {one.left_s:+.1f} s"
    return f"{words}; {one.reference.said}" if one.reference.said else words


def clock_json(one: CameraClock, zone: str) -> dict[str, Any]:
    from lastlook import retime

    return {
        "camera": one.camera,
        "name": one.shown,
        "keys": list(one.keys),
        "files": one.files,
        "fixed_offset_min": one.fit.fixed_offset_min,
        "stretches": [
            {
                "references": stretch.references,
                "first": stretch.first.isoformat(),
                "last": stretch.last.isoformat(),
                "error_s": stretch.error_s,
                "drift_s_per_day": stretch.drift_s_per_day,
                "uncertainty_s": stretch.doubt_s,
                "came_by": stretch.came_by,
                "jump_s": stretch.jump_s,
            }
            for stretch in one.fit.stretches
        ],
        "references": [
            {
                "picture": residual.reference.picture,
                "wall": residual.reference.wall.isoformat(),
                "earliest": instant(residual.reference.earliest, zone),
                "latest": instant(residual.reference.latest, zone),
                "error_s": residual.error_s,
                "uncertainty_s": residual.width_s / 2,
                "residual_s": residual.left_s,
                "outlier": residual.outlier,
                "said": residual.reference.said,
            }
            for residual in one.fit.residuals
        ],
        "ignored": [reference.picture for reference in one.cards.ignored],
        "unread": list(one.cards.unread),
        "corrections": [{"decision": decision.uid, **retime.body_of(correction)} for decision, correction in one.given],
        "moved": one.moved,
        "noticed": [{"what": each.words, "clips": each.clips, "file": each.file} for each in one.noticed],
    }


def correction_words(correction: ClockCorrection) -> str:
    parts = []
    if correction.fixed_offset_min is not None:
        parts.append(f"kept at {_offset(correction.fixed_offset_min)} all year")
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


def _offset(minutes: int) -> str:
    hours, rest = divmod(abs(minutes), 60)
    return f"{'-' if minutes < 0 else '+'}{hours:02}:{rest:02}"


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
