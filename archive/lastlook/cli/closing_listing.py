"""`log`, `waivers`, `requirements`: an item's life, who let what pass, and what is asked for and why."""

from __future__ import annotations

import os

import click

from lastlook import closing_check, times
from lastlook.cli.closing_looking import interval_json
from lastlook.cli.common import json_option, needs_store, print_json
from lastlook.closing import electrical, requirements
from lastlook.store import Store


@click.command(no_args_is_help=True)
@click.argument("what", metavar="ITEM")
@json_option
@needs_store
def log(store: Store, what: str, as_json: bool) -> int:
    """The log of an ITEM: designed, installed, changed, measured, tested, abandoned in place.

    \b
    Example:
      lastlook log W03
    """
    id, title, entries = closing_check.item_history(store, what)
    if as_json:
        body = [
            {
                "time": interval_json(entry.time, store.zone) if entry.time else None,
                "what": entry.what,
                "person": entry.person or None,
                "decision": entry.uid or None,
            }
            for entry in entries
        ]
        print_json({"id": id, "title": title, "log": body})
        return 0
    click.echo(f"{id} {title}")
    if not entries:
        click.echo("  Nothing is on record: 'lastlook change', 'lastlook test', 'lastlook measure' add to it.")
    for entry in entries:
        when = times.describe(entry.time, store.zone) if entry.time else "no date"
        by = f"  {entry.person}" if entry.person else ""
        uid = f"  {entry.uid[:8]}" if entry.uid else ""
        click.echo(f"  {when:<32} {entry.what}{by}{uid}")
    return 0


@click.command()
@click.argument("openings", metavar="[OPENING...]", nargs=-1)
@json_option
@needs_store
def waivers(store: Store, openings: tuple[str, ...], as_json: bool) -> int:
    """What was waived before a closing, by whom, and why.

    \b
    Example:
      lastlook waivers O4
    """
    found = closing_check.waivers(store, openings)
    if as_json:
        body = [
            {
                "decision": each.uid,
                "opening": each.opening,
                "item": each.item,
                "what": each.what or None,
                "lines": list(each.lines),
                "person": each.person,
                "reason": each.reason,
                "time": interval_json(each.time, store.zone),
            }
            for each in found
        ]
        print_json({"waivers": body})
        return 0
    if not found:
        click.echo("Nothing was waived.")
    for each in found:
        what = f" {each.what}" if each.what else ""
        when = times.describe(each.time, store.zone)
        click.echo(f"{each.opening}  {each.item}{what}  {when}  {each.person}: {each.reason}  {each.uid[:8]}")
    return 0


@click.command("requirements")
@json_option
@needs_store
def show_requirements(store: Store, as_json: bool) -> int:
    """What must be on record before a closing, with the reason of each default, and what the plan changes.

    \b
    Example:
      lastlook requirements
    """
    said = {table.kind.value: table for table in store.plan.requirements}
    if as_json:
        print_json(
            {
                "defaults": [
                    {"key": one.key, "applies": one.applies, "value": one.value, "reason": one.reason}
                    for one in requirements.REASONS
                ],
                "plan": {kind: dict(requirements.said(table)) for kind, table in said.items()},
                "drop_flagged_share": electrical.DROP_SHARE,
            }
        )
        return 0
    for one in requirements.REASONS:
        click.echo(f"{one.key} = {one.value}  ({one.applies})")
        click.echo(click.wrap_text(one.reason, width=_width(), initial_indent="    ", subsequent_indent="    "))
    click.echo("")
    if not said:
        click.echo("The plan changes none of them. A table such as [requirements.run] in the plan does.")
    for kind, table in said.items():
        for key, value in requirements.said(table):
            click.echo(f"The plan says for {kind}: {key} = {value}")
    return 0


def _width() -> int:
    try:
        return min(100, os.get_terminal_size().columns)
    except OSError:
        return 100
