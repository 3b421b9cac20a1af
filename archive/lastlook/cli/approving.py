"""`approval`: ask the client for one decision, and keep the answer word for word."""

from __future__ import annotations

from pathlib import Path

import click

from lastlook import times
from lastlook.cli.common import by_option, json_option, needs_store, print_json
from lastlook.store import Store


@click.group()
def approval() -> None:
    """Ask the client for one decision with pictures and wording; keep the answer word for word.

    \b
    Example:
      lastlook approval ask before-closing.pdf --point "before closing" --wording "May O4 be closed?" p27ee
    """


@approval.command()
@click.argument("out", type=click.Path(path_type=Path))
@click.argument("picture_ids", nargs=-1, required=True, metavar="PICTURE...")
@click.option("--point", required=True, metavar="TEXT", help="What is to be approved: first light, colour …")
@click.option("--wording", required=True, metavar="TEXT", help="The exact question.")
@click.option("--language", default="en", show_default=True, metavar="CODE", help="Of the fixed texts: en or de.")
@click.option("--to", default="", metavar="NAME", help="Whom it goes to.")
@by_option
@json_option
@needs_store
def ask(
    store: Store,
    out: Path,
    picture_ids: tuple[str, ...],
    point: str,
    wording: str,
    language: str,
    to: str,
    as_json: bool,
) -> int:
    """Write a pack for one decision: OUT.html, one page with its pictures inside, or OUT.pdf. Records that it went out.

    \b
    Example:
      lastlook approval ask first-light.html --point "first light" --wording "Is the lantern white enough?" p27ee
    """
    from lastlook.approvals import send

    decision = send(store, out, point=point, wording=wording, picture_ids=picture_ids, language=language, to=to)
    if as_json:
        print_json({"pack": decision.uid, "file": str(out), "sha256": decision.body["sha256"]})
    else:
        click.echo(f"Wrote {out}. Record the answer with 'lastlook approval answer {decision.uid[:8]} yes --words …'.")
    return 0


@approval.command()
@click.argument("pack")
@click.argument("verdict", type=click.Choice(["yes", "no", "changes"]))
@click.option("--words", required=True, metavar="TEXT", help="The client's own words, exactly.")
@click.option("--person", required=True, metavar="NAME", help="Who answered.")
@click.option("--at", default="", metavar="T", help="When; now where it is not said.")
@by_option
@json_option
@needs_store
def answer(store: Store, pack: str, verdict: str, words: str, person: str, at: str, as_json: bool) -> int:
    """Record the client's answer to a pack.

    \b
    Example:
      lastlook approval answer 1f2e3d4c changes --words "Yes, but the mast one shade darker." --person "A. Client"
    """
    from lastlook.approvals import answer as record

    decision = record(store, pack, verdict, words=words, person=person, at=at)
    if as_json:
        print_json({"decision": decision.uid, **decision.body})
    else:
        click.echo(f"Recorded: {verdict}, “{words}”. Take it back with 'lastlook undo {decision.uid[:8]}'.")
    return 0


@approval.command("list")
@json_option
@needs_store
def list_(store: Store, as_json: bool) -> int:
    """List packs that went out, with the answers.

    \b
    Example:
      lastlook approval list
    """
    from lastlook.approvals import pack_json, packs

    found = packs(store)
    if as_json:
        print_json([pack_json(pack, store.zone) for pack in found])
        return 0
    for pack in found:
        body = pack.decision.body
        sent = times.format_rfc3339(pack.decision.at, store.zone)
        click.echo(f"{pack.decision.uid[:8]}  {sent}  {body['point']}: “{body['wording']}”")
        if pack.answer is None:
            click.echo("          no answer is recorded")
        else:
            said = pack.answer.body
            click.echo(f"          {said['answer']}, {said['person']}: “{said['words']}”")
    if not found:
        click.echo("No pack went out.")
    return 0
