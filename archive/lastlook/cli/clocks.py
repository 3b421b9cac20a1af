"""`clock`: cameras, how their clocks stand, and the card that shows the time."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from pathlib import Path

import click

from lastlook.cli import progress
from lastlook.cli.clock_words import (
    clock_json,
    correction_words,
    offset_minutes,
    show_clock,
    standing,
    wall_time,
)
from lastlook.cli.common import by_option, harmless, json_option, needs_store, plural, print_json
from lastlook.cli.written import write
from lastlook.errors import UsageError
from lastlook.records import ClockCorrection
from lastlook.store import Store

_PAGE = "http://127.0.0.1:8047/clock"  # where 'lastlook serve' has it unless told otherwise


@click.group(no_args_is_help=True)
def clock() -> None:
    """Cameras and how their clocks stand to true time.

    Photograph the clock card ('lastlook clock card') with each camera now and then, and take the pictures in like all
    others: they set that camera's times right. Corrections never change a file; each is dated and can be taken back.

    \b
    Example:
      lastlook clock list
    """


@clock.command("list")
@json_option
@needs_store
def list_clocks(store: Store, as_json: bool) -> int:
    """List cameras, one line each, and how their clocks stand.

    \b
    Example:
      lastlook clock list
    """
    from lastlook import clock_showing

    cameras = clock_showing.every(store)
    if as_json:
        print_json({"cameras": [clock_json(one, store.zone) for one in cameras]})
        return 0
    if not cameras:
        click.echo("No camera yet: take pictures in with 'lastlook ingest PATH'.")
    for one in cameras:
        click.echo(f"{harmless(one.shown)}: {plural(one.files, 'file')}. {standing(one)}")
        for decision, correction in one.given:
            click.echo(f"  {decision.uid[:8]}  {correction_words(correction)}")
    return 0


@clock.command("show")
@click.argument("camera", required=False)
@json_option
@needs_store
def show(store: Store, camera: str | None, as_json: bool) -> int:
    """Show the clock of a CAMERA, or of all: its pictures of the clock card, the fit, and what that changed.

    "Left" is what the fit leaves of a reference; one that fits nothing is named and not used.

    \b
    Example:
      lastlook clock show "Keelson K-1"
    """
    from lastlook import clock_showing, deciding

    wanted = None if camera is None else deciding.find_camera(store, camera)
    cameras = [one for one in clock_showing.every(store) if wanted is None or one.camera == wanted]
    if as_json:
        print_json({"cameras": [clock_json(one, store.zone) for one in cameras]})
        return 0
    if not cameras:
        click.echo("No camera yet: take pictures in with 'lastlook ingest PATH'.")
    for number, one in enumerate(cameras):
        if number:
            click.echo()
        show_clock(one, store.zone)
    return 0


@clock.command("set", no_args_is_help=True)
@click.argument("camera")
@click.option("--error", "error_s", type=float, default=0.0, metavar="SECONDS", help="Camera minus true time.")
@click.option("--drift", type=float, default=0.0, metavar="SECONDS", help="How much the error grows a day.")
@click.option("--reference", metavar="T", help="Camera time at which the error holds (needed with --drift).")
@click.option(
    "--uncertainty",
    type=click.FloatRange(min=0),
    default=2.0,
    show_default=True,
    metavar="SECONDS",
    help="How exactly the error is known.",
)
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

    Where it holds, it wins over what pictures of the clock card say.

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
    with progress.shown() as store.report:
        decision, moved = deciding.correct_clock(store, correction)
    if as_json:
        print_json({"decision": decision.uid, "moved": moved})
    else:
        click.echo(f"{harmless(camera)}: {correction_words(correction)}. {plural(moved, 'picture')} moved.")
        _take_back(decision.uid)
    return 0


@clock.command("name", no_args_is_help=True)
@click.argument("camera")
@click.argument("name")
@by_option
@json_option
@needs_store
def name(store: Store, camera: str, name: str, as_json: bool) -> int:
    """Say what to call a CAMERA.

    \b
    Example:
      lastlook clock name "Keelson K-1 #40112" "bench camera"
    """
    from lastlook import deciding

    decision = deciding.name_camera(store, camera, name)
    if as_json:
        print_json({"decision": decision.uid, "camera": decision.body["camera"], "name": decision.body["name"]})
    else:
        click.echo(f"{harmless(str(decision.body['camera']))} is called {decision.body['name']!r} from now on.")
        _take_back(decision.uid)
    return 0


@clock.command("merge", no_args_is_help=True)
@click.argument("camera")
@click.argument("into")
@by_option
@json_option
@needs_store
def merge(store: Store, camera: str, into: str, as_json: bool) -> int:
    """Say that CAMERA and INTO are one camera with one clock; it goes by INTO.

    \b
    Example:
      lastlook clock merge "named IMG_####" "Rill 4"
    """
    from lastlook import deciding

    with progress.shown() as store.report:
        decision, moved = deciding.merge_cameras(store, camera, into)
    if as_json:
        print_json({"decision": decision.uid, "moved": moved})
    else:
        first, second = (harmless(str(decision.body[key])) for key in ("camera", "into"))
        click.echo(f"{first} is {second}. {plural(moved, 'picture')} moved.")
        _take_back(decision.uid)
    return 0


@clock.command("ignore", no_args_is_help=True)
@click.argument("picture")
@by_option
@json_option
@needs_store
def ignore(store: Store, picture: str, as_json: bool) -> int:
    """Leave a PICTURE of the clock card out, such as one of an old print or of a screen that had stopped.

    \b
    Example:
      lastlook clock ignore p3fa94c11d20e
    """
    return _use(store, picture, used=False, as_json=as_json)


@clock.command("use", no_args_is_help=True)
@click.argument("picture")
@by_option
@json_option
@needs_store
def use(store: Store, picture: str, as_json: bool) -> int:
    """Let a PICTURE of the clock card count again.

    \b
    Example:
      lastlook clock use p3fa94c11d20e
    """
    return _use(store, picture, used=True, as_json=as_json)


@clock.command("card")
@click.option("--png", "png", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE", help="Write one card.")
@click.option("--force", is_flag=True, help="Write over a file that is there.")
@click.option("--text", "in_terminal", is_flag=True, help="Show the card here, in the terminal, until Ctrl-C.")
@click.option("--seconds", type=click.IntRange(1, 600), default=60, show_default=True, help="With --text: how long.")
@json_option
def card(png: Path | None, force: bool, in_terminal: bool, seconds: int, as_json: bool) -> int:
    """Show the exact time as a code that cameras can be set right by.

    The best card is the viewer's page: large, and changing every second. Set this computer's clock by the network
    first; the card can be no better than that clock. Photograph it so that the code fills a third of the picture.

    \b
    Example:
      lastlook clock card
      lastlook clock card --text
    """
    from lastlook.clocks import card as cards
    from lastlook.clocks import qr

    if as_json and png is None:
        shown = cards.compose(datetime.now(UTC), 1.3)
        print_json({"page": _PAGE, "text": shown})
        return 0
    if png is not None:
        # Good for the minute after it is written: nobody photographs a file within the second.
        text = cards.compose(datetime.now(UTC), cards.LONGEST_S)
        write(png, qr.png(text), force=force)
        if as_json:
            print_json({"file": str(png), "text": text})
        else:
            click.echo(f"{png} shows the time of now and is good for one minute: {text}")
        return 0
    if in_terminal:
        _in_terminal(seconds)
        return 0
    click.echo(f"Run 'lastlook serve' and open  {_PAGE}  on a screen, large.")
    click.echo("Photograph it with every camera, or film it for a second or two, and take that in like any picture.")
    click.echo("Without a browser: 'lastlook clock card --text' shows it here.")
    return 0


def _in_terminal(seconds: int) -> None:
    from lastlook.clocks import card as cards
    from lastlook.clocks import qr

    end = time.monotonic() + seconds
    try:
        while time.monotonic() < end:
            now = datetime.now(UTC)
            shown = qr.terminal(cards.compose(now, 1.3))
            click.clear()
            click.echo(shown)
            click.echo(f"  {now:%Y-%m-%d %H:%M:%S} UTC   Ctrl-C ends it.")
            time.sleep(max(0.0, 1 - datetime.now(UTC).microsecond / 1e6))
    except KeyboardInterrupt:
        click.echo()


def _use(store: Store, picture: str, *, used: bool, as_json: bool) -> int:
    from lastlook import deciding

    with progress.shown() as store.report:
        decision, moved = deciding.use_reference(store, picture, used=used)
    if as_json:
        print_json({"decision": decision.uid, "moved": moved})
    else:
        word = "counts again" if used else "is left out"
        click.echo(f"{decision.body['picture']} {word}. {plural(moved, 'picture')} moved.")
        _take_back(decision.uid)
    return 0


def _take_back(uid: str) -> None:
    click.echo(f"Take it back with 'lastlook undo {uid[:8]}'.")
