"""`handover`, `state`, `private`: what the client gets, what is said in it, what never leaves."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path

import click

from lastlook import times
from lastlook.cli import progress
from lastlook.cli.common import by_option, json_option, needs_store, plural, print_json
from lastlook.store import Store

_AUDIENCES = ("client", "repairer", "own")


@click.command()
@click.argument("out", type=click.Path(path_type=Path))
@click.option("--in", "subs", multiple=True, metavar="SUB", help="Only this subassembly and what is in it. May repeat.")
@click.option("--since", default="", metavar="T", help="Only pictures that may be from this time on.")
@click.option("--until", default="", metavar="T", help="Only pictures that may be from before this time.")
@click.option(
    "--for",
    "audience",
    type=click.Choice(_AUDIENCES),
    default="client",
    show_default=True,
    help="Whom it is for: client (what is said, and its pictures), repairer (every picture), own (and what is spoken).",
)
@click.option("--language", default="en", show_default=True, metavar="CODE", help="Of the fixed texts: en or de.")
@click.option("--size", default=1600, show_default=True, metavar="PX", help="Longest side of the copies.")
@click.option("--originals", is_flag=True, help="Originals go along, without place, serial number and owner.")
@click.option("--keep-metadata", is_flag=True, help="Let originals go as they are, place and owner included.")
@click.option("--no-pdf", is_flag=True, help="No PDF for printing.")
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Of the PDF.")
@click.option("--zip", "zipped", is_flag=True, help="Also OUT.zip, which opens on Windows and macOS.")
@click.option(
    "--sign",
    "key",
    type=click.Path(path_type=Path),
    metavar="KEY",
    help="Sign with this OpenSSH Ed25519 key. A passphrase is read from LASTLOOK_KEY_PASSPHRASE.",
)
@click.option("--preview", "only_preview", is_flag=True, help="Say what would go in; write nothing.")
@click.option("--yes", is_flag=True, help="Do not ask before writing.")
@click.option("--quiet", is_flag=True, help="No progress.")
@json_option
@needs_store
def handover(store: Store, out: Path, **given: object) -> int:
    """Write the hand-over record into the new folder OUT.

    Pages, a PDF, tables and copies of pictures, as a bag whose every file can be checked. Says before writing
    what goes in, how large it is and what is missing.

    \b
    Example:
      lastlook handover ../LV-40-record --for client --language de --zip
    """
    from lastlook.gathering import Scope
    from lastlook.handing_over import Options, check_target, write
    from lastlook.handing_over import preview as look_ahead
    from lastlook.handover.material import Audience

    subs, key = given["subs"], given["key"]
    assert isinstance(subs, tuple)
    assert key is None or isinstance(key, Path)
    since, until = _moment(store, str(given["since"])), _moment(store, str(given["until"]))
    options = Options(
        scope=Scope(subs, since.earliest if since else None, until.latest if until else None),
        audience=Audience(str(given["audience"])),
        language=str(given["language"]),
        edge=int(str(given["size"])),
        originals=bool(given["originals"]),
        keep_metadata=bool(given["keep_metadata"]),
        print_=not given["no_pdf"],
        zip_=bool(given["zipped"]),
        paper=str(given["paper"]),
        key=key,
    )
    as_json, quiet = bool(given["as_json"]), bool(given["quiet"])
    if not given["only_preview"]:
        check_target(store, options, out)  # a refusal comes alone, not below a long list of what is missing
    with progress.shown(quiet) as report:
        seen = look_ahead(store, options, report=report)
    told: dict[str, object] = {
        "pictures": seen.photos + seen.stills,
        "photos": seen.photos,
        "stills": seen.stills,
        "originals": seen.originals,
        "size_bytes": seen.size_bytes,
        "withheld": seen.withheld,
        "missing": list(seen.gaps),
        "left_out": list(seen.left_out),
        "unprintable": seen.unprintable,
        "fonts_of_this_computer": list(seen.fonts),
    }
    if not as_json:
        _say(seen.photos, seen.stills, seen.size_bytes, seen.originals, seen.withheld)
        for gap in seen.gaps:
            click.echo(f"  missing: {gap}")
        for line in seen.left_out:
            click.echo(f"  left out: {line}")
        if seen.unprintable:
            click.echo(
                f"  the PDF has no letters for {seen.unprintable}: they are printed as [?]; the pages show them."
            )
            for hint in seen.hints:
                click.echo(f"  {hint}")
        if seen.fonts:
            click.echo(
                f"  the PDF uses fonts of this computer, so another may write other bytes: {', '.join(seen.fonts)}"
            )
    if given["only_preview"]:
        if as_json:
            print_json(told)
        return 1 if seen.gaps or seen.left_out else 0
    if not as_json and not given["yes"] and sys.stdin.isatty():
        click.confirm("Write it?", abort=True)
    with progress.shown(quiet) as report:
        written = write(store, options, out, report=report)
    if as_json:
        print_json(
            {
                **told,
                "folder": str(written.folder),
                "zip": str(written.zip_file) if written.zip_file else None,
                "signature": str(written.signature) if written.signature else None,
                "files": written.files,
                "size_bytes": written.size_bytes,
            }
        )
    else:
        click.echo(
            f"Wrote {written.folder}: {plural(written.files, 'file')}, {written.size_bytes / 1e6:.1f} MB."
            " Open data/index.html."
        )
        if written.zip_file:
            click.echo(f"Wrote {written.zip_file}.")
        if written.signature:
            click.echo(f"Signed: {written.signature}. See 'lastlook handover --help' and README for how it is checked.")
    return 1 if written.gaps or written.left_out else 0


def _say(photos: int, stills: int, size: int, originals: int, withheld: int) -> None:
    more = f", {plural(originals, 'original')}" if originals else ""
    click.echo(f"{plural(photos, 'photo')} and {plural(stills, 'still')}{more}, about {size / 1e6:.0f} MB.")
    if withheld:
        click.echo(f"  {plural(withheld, 'private entry', 'private entries')} kept back")


def _moment(store: Store, said: str) -> times.When | None:
    return times.parse_when(said, store.zone, datetime.now(UTC)) if said.strip() else None


@click.command()
@click.argument("topic", required=False, default="")
@click.argument("text", required=False, default="")
@click.option("--about", default="", metavar="ID", help="What of the plan it is about.")
@click.option("--picture", "picture_ids", multiple=True, metavar="PICTURE", help="A picture that shows it. May repeat.")
@by_option
@json_option
@needs_store
def state(store: Store, topic: str, text: str, about: str, picture_ids: tuple[str, ...], as_json: bool) -> int:
    """State something for the hand-over record.

    How to lift it, its supply, its cleaning … Without words, list the topics and what is stated. Take a
    statement back with 'lastlook undo'.

    \b
    Example:
      lastlook state supply "5 V DC, 1 A, centre positive, through J1 in the base" --picture p27ee
    """
    from lastlook import stating
    from lastlook.handover.topics import TOPICS

    if not topic:
        said = stating.statements(store)
        if as_json:
            print_json(
                [
                    {"decision": one.uid, "topic": made.topic, "about": made.about, "text": made.text,
                     "pictures": list(made.pictures), "person": made.person}
                    for one, made in said
                ]
            )  # fmt: skip
            return 0
        for known in TOPICS:
            click.echo(f"{known.key:<11} {known.title}")
            for one, made in said:
                if made.topic == known.key:
                    click.echo(f"            “{made.text}” {made.about} ({one.uid[:8]})")
        return 0
    decision = stating.state(store, topic, text, about=about, picture_ids=picture_ids)
    if as_json:
        print_json({"decision": decision.uid, **decision.body})
    else:
        click.echo(f"Stated under {decision.body['topic']}. Take it back with 'lastlook undo {decision.uid[:8]}'.")
    return 0


@click.command()
@click.argument("picture_ids", nargs=-1, metavar="[PICTURE]...")
@click.option("--note", "notes", multiple=True, metavar="DECISION", help="The words of this decision. May repeat.")
@click.option(
    "--field", "fields", multiple=True, metavar="NAME", help="A field: client, people, captions … May repeat."
)
@click.option("--not", "again", is_flag=True, help="Not private any more.")
@click.option("--reason", default="", metavar="TEXT", help="Why; it stays here.")
@by_option
@json_option
@needs_store
def private(
    store: Store,
    picture_ids: tuple[str, ...],
    notes: tuple[str, ...],
    fields: tuple[str, ...],
    again: bool,
    reason: str,
    as_json: bool,
) -> int:
    """Say what never leaves with a hand-over record.

    Pictures, the words of a decision, or a field. Without any, list what is private.

    \b
    Example:
      lastlook private p27ee --field client --note 1f2e3d4c
    """
    from lastlook.stating import mark_private, what_is_private

    if not picture_ids and not notes and not fields:
        held = what_is_private(store)
        if as_json:
            print_json({"pictures": sorted(held.pictures), "notes": sorted(held.notes), "fields": sorted(held.fields)})
        else:
            for name, ids in (("picture", held.pictures), ("note", held.notes), ("field", held.fields)):
                for id in sorted(ids):
                    click.echo(f"{name} {id}")
            if not (held.pictures or held.notes or held.fields):
                click.echo("Nothing is private.")
        return 0
    decision = mark_private(
        store, picture_ids=picture_ids, notes=notes, fields=fields, private=not again, reason=reason
    )
    listed = decision.body["subjects"]
    assert isinstance(listed, list)
    if as_json:
        print_json({"decision": decision.uid, **decision.body})
    else:
        click.echo(
            f"{', '.join(listed)}: {'may be handed over again' if again else 'never leaves'}."
            f" Take it back with 'lastlook undo {decision.uid[:8]}'."
        )
    return 0
