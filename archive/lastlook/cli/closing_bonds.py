"""`bond` and `adhesive`: what was glued with what, and what its data sheet says."""

from __future__ import annotations

import tomllib
from pathlib import Path

import click

from lastlook import bonding
from lastlook.catalogue import decisions
from lastlook.cli.closing_recording import tell
from lastlook.cli.common import by_option, json_option, needs_store, plural, print_json
from lastlook.closing import cautions, folding
from lastlook.closing.records import Adhesive
from lastlook.errors import LastlookError
from lastlook.store import Store

BLANK = """\
# Adhesives of this bench, copied from their data sheets. Times in hours at the sheet's own temperature.
# Leave a line out where the sheet is silent: what is not known is never guessed.

[[adhesive]]
id = "EPOXY-SLOW"           # your own name for it
kind = "two-part epoxy"     # epoxy, polyurethane, cyanoacrylate, solvent cement ...
# fixture_h = 6             # holds itself
# handling_h = 24           # may be handled with care
# full_cure_h = 72          # may be loaded
# reference_c = 23          # the temperature those times hold at
# minimum_c = 15            # below it the sheet promises nothing
# pot_life_min = 40
# ratio = "100 : 45 by mass"
# sheet = "issue and date of the data sheet"
"""
_NUMBERS = ("fixture_h", "handling_h", "full_cure_h", "reference_c", "minimum_c", "pot_life_min")
_TEXTS = ("kind", "ratio", "sheet", "note")


@click.command(no_args_is_help=True)
@click.argument("target")
@click.option("--adhesive", required=True, metavar="ID", help="Its id in the list of adhesives.")
@click.option("--joined", required=True, metavar="T", help="When the parts were joined.")
@click.option("--temperature", type=float, metavar="°C", help="Temperature of the joint.")
@click.option("--mixed", default="", metavar="T", help="When it was mixed.")
@click.option("--clamp-on", default="", metavar="T", help="When the clamps went on.")
@click.option("--clamp-off", default="", metavar="T", help="When they came off.")
@click.option("--batch", default="", metavar="TEXT", help="Batch or lot.")
@click.option("--expiry", default="", metavar="TEXT", help="Use by.")
@click.option("--ratio", default="", metavar="TEXT", help="As it was weighed or measured.")
@click.option("--mass", type=float, metavar="G", help="Mass mixed, in grams.")
@click.option("--humidity", type=float, metavar="%", help="Relative humidity of the air.")
@click.option("--preparation", default="", metavar="TEXT", help="How the surfaces were prepared.")
@click.option("--note", default="", metavar="TEXT", help="Cup sample, fillets, anything else.")
@click.option("--person", default="", metavar="NAME", help="Who bonded it, if not the one who records it.")
@by_option
@json_option
@needs_store
def bond(
    store: Store,
    target: str,
    adhesive: str,
    joined: str,
    temperature: float | None,
    mixed: str,
    clamp_on: str,
    clamp_off: str,
    batch: str,
    expiry: str,
    ratio: str,
    mass: float | None,
    humidity: float | None,
    preparation: str,
    note: str,
    person: str,
    as_json: bool,
) -> int:
    """Record a bond of an opening, step, subassembly or part: with what, when, how warm.

    It must not be loaded until it has cured; 'check' and 'hidden' count that time down. What the joint's temperature
    was later on is said with 'lastlook test ITEM --kind cure-temperature --value C': the coldest counts.

    \b
    Example:
      lastlook bond O4 --adhesive EPOXY-SLOW --joined "2026-03-27 11:29" --temperature 19 --mass 12 --batch 7741
    """
    decision = bonding.bond(
        store,
        target,
        adhesive,
        joined,
        person=person,
        mixed=mixed,
        clamp_on=clamp_on,
        clamp_off=clamp_off,
        figures={"temperature_c": temperature, "humidity_percent": humidity, "mass_g": mass},
        words={"batch": batch, "expiry": expiry, "ratio": ratio, "preparation": preparation, "note": note},
    )
    if not as_json:
        known = {one.id.casefold(): one for one in _adhesives(store)}
        made = folding.bond(decision)
        for caution in cautions.of_adhesive(known.get(adhesive.strip().casefold(), Adhesive(adhesive)).kind):
            click.echo(f"Caution: {caution}")
        click.echo(f"Caution: {cautions.UNCURED}")
        from lastlook.cli.closing_looking import hold_words
        from lastlook.closing import bonds
        from lastlook.closing_check import moment

        told = hold_words(bonds.hold(made, known, moment(store, "")), store.zone)
        click.echo(f"{told[:1].upper()}{told[1:]}.")
    return tell(decision, as_json)


@click.group(no_args_is_help=True)
def adhesive() -> None:
    """Adhesives and what their data sheets say. The list is yours: none comes with the program.

    \b
    Example:
      lastlook adhesive add EPOXY-SLOW --full-cure 72 --reference 23 --minimum 15
    """


@adhesive.command(no_args_is_help=True)
@click.argument("id")
@click.option("--kind", default="", metavar="TEXT", help="Two-part epoxy, cyanoacrylate, …")
@click.option("--fixture", type=float, metavar="H", help="Fixture time in hours.")
@click.option("--handling", type=float, metavar="H", help="Handling strength in hours.")
@click.option("--full-cure", type=float, metavar="H", help="Full cure in hours.")
@click.option("--reference", type=float, default=23.0, show_default=True, metavar="°C", help="Those times hold at it.")
@click.option("--minimum", type=float, metavar="°C", help="Below it the data sheet promises nothing.")
@click.option("--pot-life", type=float, metavar="MIN", help="Pot life in minutes.")
@click.option("--ratio", default="", metavar="TEXT", help="Mixing ratio.")
@click.option("--sheet", default="", metavar="TEXT", help="Issue and date of the data sheet.")
@click.option("--note", default="", metavar="TEXT", help="Anything else.")
@by_option
@json_option
@needs_store
def add(
    store: Store,
    id: str,
    kind: str,
    fixture: float | None,
    handling: float | None,
    full_cure: float | None,
    reference: float,
    minimum: float | None,
    pot_life: float | None,
    ratio: str,
    sheet: str,
    note: str,
    as_json: bool,
) -> int:
    """Copy a data sheet into the list; a later word on the same ID replaces it.

    \b
    Example:
      lastlook adhesive add EPOXY-SLOW --kind "two-part epoxy" --full-cure 72 --minimum 15
    """
    decision = bonding.adhesive(
        store,
        id,
        {
            "kind": kind,
            "fixture_h": fixture,
            "handling_h": handling,
            "full_cure_h": full_cure,
            "reference_c": reference,
            "minimum_c": minimum,
            "pot_life_min": pot_life,
            "ratio": ratio,
            "sheet": sheet,
            "note": note,
        },
    )
    return tell(decision, as_json)


@adhesive.command(no_args_is_help=True)
@click.argument("file", metavar="FILE", type=click.Path(path_type=Path, dir_okay=False))
@by_option
@json_option
@needs_store
def load(store: Store, file: Path, as_json: bool) -> int:
    """Take all adhesives of FILE (.toml) into the list; what is in it already stays as it is.

    \b
    Example:
      lastlook adhesive blank > adhesives.toml
      lastlook adhesive load adhesives.toml
    """
    entries = _entries(file)
    known = {one.id.casefold(): one for one in _adhesives(store)}
    told = []
    for entry in entries:
        if known.get(str(entry["id"]).casefold()) == _as_record(entry):
            continue
        told.append(bonding.adhesive(store, str(entry["id"]), entry))
    if as_json:
        print_json({"loaded": [one.body["id"] for one in told], "decisions": [one.uid for one in told]})
    else:
        click.echo(f"{plural(len(told), 'adhesive')} taken in, {len(entries) - len(told)} known already.")
    return 0


@adhesive.command("list")
@json_option
@needs_store
def list_(store: Store, as_json: bool) -> int:
    """List the adhesives.

    \b
    Example:
      lastlook adhesive list
    """
    known = _adhesives(store)
    if as_json:
        body = [{"id": one.id, **{key: getattr(one, key) for key in (*_TEXTS, *_NUMBERS)}} for one in known]
        print_json({"adhesives": body})
        return 0
    if not known:
        click.echo("None yet. Copy a data sheet with 'lastlook adhesive add', or fill the file of 'adhesive blank'.")
    for one in known:
        spans = ", ".join(
            f"{words} {value:g} h"
            for words, value in (
                ("fixture", one.fixture_h),
                ("handling", one.handling_h),
                ("full cure", one.full_cure_h),
            )
            if value is not None
        )
        least = f", not below {one.minimum_c:g} °C" if one.minimum_c is not None else ""
        kind = f"{one.kind}: " if one.kind else ""
        held = f"{kind}{spans or 'no times copied'} at {one.reference_c:g} °C{least}"
        click.echo(f"{one.id:<16} {held}  {one.sheet}".rstrip())
    return 0


@adhesive.command()
@json_option
def blank(as_json: bool) -> int:
    """Print a file to fill from data sheets.

    \b
    Example:
      lastlook adhesive blank > adhesives.toml
    """
    if as_json:
        print_json({"form": "toml", "text": BLANK})
    else:
        click.echo(BLANK, nl=False)
    return 0


def _adhesives(store: Store) -> list[Adhesive]:
    """The last word on each, by name."""
    found = {one.id.casefold(): one for one in map(folding.adhesive, decisions.live(store.catalogue, "adhesive"))}
    return [found[key] for key in sorted(found)]


def _entries(file: Path) -> list[dict[str, object]]:
    try:
        data = tomllib.loads(file.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise LastlookError(f"there is no {file}", "Check the name, or begin with 'lastlook adhesive blank'.") from None
    except (OSError, UnicodeDecodeError) as error:
        raise LastlookError(f"{file} cannot be read", "Give a text file in UTF-8.") from error
    except tomllib.TOMLDecodeError as error:
        raise LastlookError(f"{file} is no TOML: {error}", "Correct that line and load it again.") from error
    entries = data.get("adhesive", [])
    if set(data) - {"adhesive"} or not isinstance(entries, list) or not all(isinstance(one, dict) for one in entries):
        raise LastlookError(f"{file} may hold [[adhesive]] tables only", "See 'lastlook adhesive blank'.")
    for number, entry in enumerate(entries, start=1):
        strange = sorted(set(entry) - {"id", *_NUMBERS, *_TEXTS})
        if strange:
            raise LastlookError(
                f"{file}, adhesive {number}: there is no key {strange[0]!r}", "See 'lastlook adhesive blank'."
            )
        if not isinstance(entry.get("id"), str):
            raise LastlookError(f"{file}, adhesive {number}: id is missing", 'Add id = "EPOXY-SLOW".')
        for key in _TEXTS:
            if not isinstance(entry.get(key, ""), str):
                raise LastlookError(f"{file}, adhesive {number}: {key} must be text in quotes", "Correct it.")
        for key in _NUMBERS:
            value = entry.get(key, 0)
            if isinstance(value, bool) or not isinstance(value, int | float):
                raise LastlookError(f"{file}, adhesive {number}: {key} must be a number", "Leave the unit out.")
    return entries


def _as_record(entry: dict[str, object]) -> Adhesive:
    """What the list would hold after taking in `entry`."""
    numbers = {key: None if entry.get(key) is None else float(str(entry[key])) for key in _NUMBERS}
    reference = numbers["reference_c"]
    texts = {key: " ".join(str(entry.get(key, "")).split()) for key in _TEXTS}
    return Adhesive(
        id=str(entry["id"]).strip(),
        kind=texts["kind"],
        fixture_h=numbers["fixture_h"],
        handling_h=numbers["handling_h"],
        full_cure_h=numbers["full_cure_h"],
        reference_c=23.0 if reference is None else reference,
        minimum_c=numbers["minimum_c"],
        pot_life_min=numbers["pot_life_min"],
        ratio=texts["ratio"],
        sheet=texts["sheet"],
        note=texts["note"],
    )
