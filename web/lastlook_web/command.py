"""`lastlook serve`: the viewer's command, which the command line finds through its entry point."""

from __future__ import annotations

import os
import webbrowser
from pathlib import Path
from typing import TYPE_CHECKING

import click

from lastlook.cli.common import archive_option, by_option, find_archive
from lastlook.errors import UsageError
from lastlook.store import Store

if TYPE_CHECKING:
    from flask import Flask

PASSCODE = "LASTLOOK_PASSCODE"
_HOST = "127.0.0.1"
_FOLDER = click.Path(exists=True, file_okay=False, path_type=Path)


@click.command()
@click.option("--host", default=_HOST, show_default=True, help="Where to listen. Other machines need a passcode.")
@click.option("--port", type=click.IntRange(1, 65535), default=8047, show_default=True, help="Where to listen.")
@click.option("--lan", is_flag=True, help="Listen in your own network too, for the phone at the bench.")
@click.option(
    "--passcode",
    envvar=PASSCODE,
    help=f"Asked for before anything is shown. Better given as {PASSCODE}, where no other user sees it. "
    "With --lan one is made where none is given.",
)
@click.option("--allow-host", "allowed", multiple=True, metavar="NAME", help="Another name it may be called by.")
@click.option("--inbox", "inboxes", multiple=True, type=_FOLDER, help="A folder that may be taken in from the pages.")
@click.option(
    "--backup", "backups", multiple=True, type=click.Path(file_okay=False, path_type=Path),
    help="A folder that may be backed up to from the pages.",
)  # fmt: skip
@click.option(
    "--records", type=click.Path(file_okay=False, path_type=Path), help="Where the pages put hand-over records."
)
@click.option("--open", "open_browser", is_flag=True, help="Open it in the browser.")
@by_option
@archive_option
def serve(
    archive_dir: Path | None,
    by: str,
    host: str,
    port: int,
    lan: bool,
    passcode: str | None,
    allowed: tuple[str, ...],
    inboxes: tuple[Path, ...],
    backups: tuple[Path, ...],
    records: Path | None,
    open_browser: bool,
) -> int:
    """Show the archive in a browser: on this machine only, unless told otherwise. Ctrl-C ends it.

    With --lan the phone at the bench comes in by a code or the passcode. Nothing of it is encrypted: use it in a
    network of your own, never in an open one.

    \b
    Example:
      lastlook serve
      lastlook serve --lan
      lastlook serve --inbox ~/phone --backup /media/disk/LV-40
      LASTLOOK_PASSCODE=... lastlook serve --host 192.168.1.20
    """
    from lastlook_web import ViewerConfig
    from lastlook_web import lan as network
    from lastlook_web import serve as run
    from lastlook_web.joining import invitation
    from lastlook_web.visits import made_passcode

    archive = find_archive(archive_dir)
    with Store(archive):
        pass  # an archive that cannot be opened says so here, not on a page
    addresses: tuple[str, ...] = ()
    if lan:
        if host != _HOST:
            raise UsageError("--lan finds this machine's addresses by itself", "Leave --host out, or --lan.")
        addresses = network.addresses()
        if not addresses:
            raise UsageError(
                "this machine has no address in a network of its own",
                "Join the workshop's network first; for another address, name it with --host.",
            )
    made = lan and not passcode
    config = ViewerConfig(
        archive,
        by=by,
        host=host,
        port=port,
        lan=addresses,
        passcode=made_passcode() if made else passcode or "",
        allowed_hosts=allowed,
        inboxes=inboxes,
        backups=backups,
        records=records,
    )
    config.check()
    shown = f"[{host}]" if ":" in host else host
    address = f"http://{shown}:{port}/"

    def ready(app: Flask) -> None:
        click.echo(f"{archive.settings.name}: {address}  (Ctrl-C ends it)")
        if lan:
            for line in invitation(app, config, made=made):
                click.echo(line)
        if open_browser and not os.environ.get("CI"):
            webbrowser.open(address)

    try:
        run(config, ready, lambda line: click.echo(line, err=True))
    except KeyboardInterrupt:
        click.echo("\nEnded.")
    return 0
