"""`init` and `plan`: set an archive up."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from lastlook import archive
from lastlook.cli.common import by_option, json_option, needs_store, plural, print_json
from lastlook.cli.written import write
from lastlook.errors import LastlookError
from lastlook.records import Plan
from lastlook.store import Store


@click.command(no_args_is_help=True)
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--name", required=True, help="The build's name.")
@click.option("--zone", required=True, help="Time zone of the bench, like Europe/Copenhagen.")
@click.option("--scale", default="", help="The model's scale, like 1:40.")
@json_option
def init(folder: Path, name: str, zone: str, scale: str, as_json: bool) -> int:
    """Make a new archive in DIR.

    \b
    Example:
      lastlook init my-build --name LV-40 --zone Europe/Copenhagen --scale 1:40
    """
    made = archive.create(folder.absolute(), name=name, zone=zone, scale=scale)
    with Store(made, create=True):
        pass
    if as_json:
        print_json({"archive": str(made.root), "name": made.settings.name, "zone": made.settings.zone})
    else:
        click.echo(f"Made the archive {folder} for {made.settings.name}.")
        click.echo("Next: 'lastlook plan load FILE' with the plan of the build, then 'lastlook ingest PATH'.")
    return 0


@click.group(no_args_is_help=True)
def plan() -> None:
    """The plan of the build: subassemblies, openings, steps, runs, parts.

    \b
    Example:
      lastlook plan load plan.toml
    """


@plan.command(no_args_is_help=True)
@click.argument("file", metavar="FILE", type=click.Path(path_type=Path, allow_dash=True))
@by_option
@json_option
@needs_store
def load(store: Store, file: Path, as_json: bool) -> int:
    """Put the plan in FILE (.toml) or a wire schedule (.csv) in force.

    Loading again updates by id. What pictures refer to is kept even where the file leaves it out.

    \b
    Example:
      lastlook plan load plan.toml
      lastlook plan load wires.csv
    """
    from lastlook import planning

    text = _read(file)
    loaded = planning.load(store, text, file.name, "csv" if file.suffix.lower() == ".csv" else "toml")
    if as_json:
        changes = [
            {"kind": change.kind.value, "group": change.group, "id": change.id, "what": change.what}
            for change in loaded.changes
        ]
        print_json({"changes": changes, **_counts(loaded.plan)})
        return 0
    for change in loaded.changes:
        click.echo(f"{change.kind.value:<8} {change.group:<12} {change.id:<10} {change.what}")
    said = ", ".join(plural(count, one, many) for one, many, count in _groups(loaded.plan))
    click.echo(f"{'In force' if loaded.decision else 'Nothing changed'}: {said}.")
    return 0


@plan.command("show")
@json_option
@needs_store
def show_plan(store: Store, as_json: bool) -> int:
    """Show the plan in force.

    \b
    Example:
      lastlook plan show
    """
    from lastlook.cli.plan_words import plan_json, plan_lines

    if as_json:
        print_json(plan_json(store.plan))
    else:
        for line in plan_lines(store.plan):
            click.echo(line)
    return 0


@plan.command(no_args_is_help=True)
@click.argument("file", metavar="FILE", type=click.Path(path_type=Path, allow_dash=True))
@click.option("--force", is_flag=True, help="Write over a file that is there.")
@json_option
@needs_store
def save(store: Store, file: Path, force: bool, as_json: bool) -> int:
    """Save the plan in force to FILE: .toml the whole plan, .csv the wire schedule; - writes TOML to the terminal.

    \b
    Example:
      lastlook plan save wires.csv
    """
    from lastlook import planning

    form = "csv" if file.suffix.lower() == ".csv" else "toml"
    text = planning.save(store, "csv" if form == "csv" else "toml")
    there = str(file) != "-"
    if there:
        write(file, text.encode("utf-8"), force=force, store=store)
    if as_json:
        print_json({"form": form, "file": str(file.absolute())} if there else {"form": form, "text": text})
    elif not there:
        click.echo(text, nl=False)
    else:
        click.echo(f"Saved the {'wire schedule' if form == 'csv' else 'plan'} to {file}.")
    return 0


def _read(file: Path) -> str:
    try:
        data = sys.stdin.buffer.read() if str(file) == "-" else file.read_bytes()
    except FileNotFoundError:
        raise LastlookError(f"there is no {file}", "Check the name.") from None
    except OSError as error:
        raise LastlookError(f"{file} cannot be read: {error.strerror}", "Give a file you may read.") from None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        # Spreadsheets on some systems still save in the old Western code page.
        if file.suffix.lower() == ".csv":
            return data.decode("cp1252", "replace")
        raise LastlookError(f"{file} is not UTF-8 text", "Save it as UTF-8.") from None


def _groups(plan: Plan) -> list[tuple[str, str, int]]:
    return [
        ("subassembly", "subassemblies", len(plan.subassemblies)),
        ("opening", "openings", len(plan.openings)),
        ("step", "steps", len(plan.steps)),
        ("run", "runs", len(plan.runs)),
        ("part", "parts", len(plan.parts)),
    ]


def _counts(plan: Plan) -> dict[str, int]:
    return {many: count for _, many, count in _groups(plan)}
