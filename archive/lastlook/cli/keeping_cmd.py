"""`backup`, `restore`, `relink`, `care`: keep the archive itself from being lost."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from lastlook.cli import progress
from lastlook.cli.common import archive_option, find_archive, json_option, needs_store, plural, print_json
from lastlook.store import Store


@click.command()
@click.argument("target", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--check-all", is_flag=True, help="Read what the backup held already, too.")
@click.option("--quiet", is_flag=True, help="No progress.")
@json_option
@archive_option
def backup(archive_dir: Path | None, target: Path, check_all: bool, quiet: bool, as_json: bool) -> int:
    """Copy the archive to DIR, best on another disk.

    What is new since the last time, each copy read again after it was written. Works while the archive is in
    use; clips that were left in place are copied as well.

    \b
    Example:
      lastlook backup /media/disk/LV-40-backup
    """
    from lastlook.backup import backup as make

    with progress.shown(quiet) as report:
        made = make(find_archive(archive_dir), target, check_all=check_all, report=report)
    if as_json:
        print_json(
            {
                "state": str(made.state),
                "copied": made.copied,
                "kept": made.kept,
                "size_bytes": made.size_bytes,
                "missing": list(made.missing),
                "damaged": list(made.damaged),
            }
        )
    else:
        for line in (*made.missing, *made.damaged):
            click.echo(f"{line}. It is not in this state of the backup; see 'lastlook verify'.")
        click.echo(
            f"{plural(made.copied, 'original')} copied and checked, {made.kept} there already;"
            f" {made.size_bytes / 1e6:.1f} MB in all. State {made.state.name}."
        )
    return 0 if made.good else 1


@click.command()
@click.argument("backup_dir", metavar="BACKUP", type=click.Path(path_type=Path))
@click.argument("out", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--state", default="", metavar="STATE", help="An older state, as in 20270314T101500Z; else the newest.")
@click.option("--quiet", is_flag=True, help="No progress.")
@json_option
def restore(backup_dir: Path, out: Path, state: str, quiet: bool, as_json: bool) -> int:
    """Make an archive in the new folder DIR from a backup; every file is checked as it is copied.

    \b
    Example:
      lastlook restore /media/disk/LV-40-backup my-build
    """
    from lastlook.backup import restore as make

    with progress.shown(quiet) as report:
        made = make(backup_dir, out, state=state, report=report)
    if as_json:
        print_json(
            {
                "archive": str(made.archive.root),
                "files": made.files,
                "size_bytes": made.size_bytes,
                "moved": made.moved,
                "problems": list(made.problems),
            }
        )
    else:
        for line in made.problems:
            click.echo(line)
        click.echo(
            f"Restored {plural(made.files, 'original')}, {made.size_bytes / 1e6:.1f} MB, to {made.archive.root}."
        )
        if made.moved:
            click.echo(f"Files that had been left in place, now in left-in-place/: {made.moved}.")
    return 1 if made.problems else 0


@click.command()
@click.argument("paths", nargs=-1, required=True, metavar="PATH...", type=click.Path(path_type=Path))
@click.option("--quiet", is_flag=True, help="No progress.")
@json_option
@needs_store
def relink(store: Store, paths: tuple[Path, ...], quiet: bool, as_json: bool) -> int:
    """Find originals again that were moved, by their content: clips left in place, on another disk or machine.

    \b
    Example:
      lastlook relink /media/new-disk/clips
    """
    from lastlook.relink import relink as look

    with progress.shown(quiet) as report:
        done = look(store, paths, report=report)
    if as_json:
        print_json(
            {
                "found": [{"file": name, "path": str(path)} for name, path in done.found],
                "missing": list(done.missing),
                "looked_at": done.looked_at,
                "unlike": [{"file": name, "path": str(path)} for name, path in done.unlike],
            }
        )
    else:
        for name, path in done.found:
            click.echo(f"{name} is now at {path}")
        for name in done.missing:
            click.echo(f"{name} is still not found")
        for name, path in done.unlike:
            click.echo(f"{path} has the name of {name} but other content; it was left alone")
        if not done.found and not done.missing:
            click.echo("Every original is where it should be.")
    return 1 if done.missing else 0


@click.command()
@json_option
@archive_option
def care(archive_dir: Path | None, as_json: bool) -> int:
    """Say how old the last good backup and the last check are, and what is due.

    \b
    Example:
      lastlook care
    """
    from lastlook.care import ages

    found = ages(find_archive(archive_dir))
    if as_json:
        print_json({**asdict(found), "due": list(found.due)})
    else:
        click.echo(f"Last good backup: {_days(found.backup_days)}{f', in {found.where}' if found.where else ''}.")
        said = f", {plural(found.findings, 'finding')}" if found.findings else ""
        click.echo(f"Last check: {_days(found.check_days)}{said}.")
        click.echo(
            f"{found.originals - found.unread} of {plural(found.originals, 'original')} read whole at least once."
        )
        for due in found.due:
            click.echo("Due: lastlook backup DIR" if due == "backup" else "Due: lastlook verify --sample 5%")
    return 1 if found.due or found.findings else 0


def _days(days: float | None) -> str:
    if days is None:
        return "never"
    if days < 1:
        return "less than a day ago"
    return f"{plural(round(days), 'day')} ago"
