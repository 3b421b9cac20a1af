"""`lastlook serve`: the viewer's command, which the command line finds through its entry point."""

from __future__ import annotations

import os
import webbrowser
from pathlib import Path

import click

from lastlook.cli.common import archive_option, by_option, find_archive
from lastlook.store import Store

PASSCODE = "LASTLOOK_PASSCODE"


@click.command()
@click.option("--host", default="127.0.0.1", show_default=True, help="Where to listen. Other machines need a passcode.")
@click.option("--port", type=click.IntRange(1, 65535), default=8047, show_default=True, help="Where to listen.")
@click.option(
    "--passcode",
    envvar=PASSCODE,
    help=f"Asked for before anything is shown. Better given as {PASSCODE}, where no other user sees it.",
)
@click.option("--allow-host", "allowed", multiple=True, metavar="NAME", help="Another name it may be called by.")
@click.option("--open", "open_browser", is_flag=True, help="Open it in the browser.")
@by_option
@archive_option
def serve(
    archive_dir: Path | None,
    by: str,
    host: str,
    port: int,
    passcode: str | None,
    allowed: tuple[str, ...],
    open_browser: bool,
) -> int:
    """Show the archive in a browser: on this machine only, unless told otherwise. Ctrl-C ends it.

    \b
    Example:
      lastlook serve
      LASTLOOK_PASSCODE=... lastlook serve --host 192.168.1.20
    """
    from lastlook_web import ViewerConfig
    from lastlook_web import serve as run

    archive = find_archive(archive_dir)
    with Store(archive):
        pass  # an archive that cannot be opened says so here, not on a page
    config = ViewerConfig(archive, by=by, host=host, port=port, passcode=passcode or "", allowed_hosts=allowed)
    config.check()
    shown = f"[{host}]" if ":" in host else host
    address = f"http://{shown}:{port}/"
    click.echo(f"{archive.settings.name}: {address}  (Ctrl-C ends it)")
    if open_browser and not os.environ.get("CI"):
        webbrowser.open(address)
    try:
        run(config)
    except KeyboardInterrupt:
        click.echo("\nEnded.")
    return 0
