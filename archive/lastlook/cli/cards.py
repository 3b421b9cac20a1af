"""`card`: print bench cards."""

from __future__ import annotations

from pathlib import Path

import click

from lastlook.cli.common import json_option, needs_store, plural, print_json
from lastlook.cli.written import check_target, write
from lastlook.store import Store


@click.command(no_args_is_help=True)
@click.argument("ids", metavar="SUB|STEP|RUN...", nargs=-1)
@click.option("--all", "kinds", multiple=True, type=click.Choice(["subassemblies", "steps", "runs", "parts"]),
              help="All of a kind, in the order of the plan.")  # fmt: skip
@click.option("-o", "--output", type=click.Path(dir_okay=False, path_type=Path), default=Path("cards.pdf"),
              show_default=True, metavar="FILE", help="Where to write the PDF.")  # fmt: skip
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="The paper.")
@click.option("--force", is_flag=True, help="Write over a file that is there.")
@json_option
@needs_store
def card(
    store: Store, ids: tuple[str, ...], kinds: tuple[str, ...], output: Path, paper: str, force: bool, as_json: bool
) -> int:
    """Print bench cards (PDF, eight a page) for subassemblies, steps, runs or parts.

    Lay a card beside the work before you photograph it, or show it to the clip: the pictures are put to what it names,
    a clip's until the next card. Print at 100 %, then hold a ruler to the card's scale: the markers tell sizes, too.

    \b
    Example:
      lastlook card MAST S08 S09 W03 -o cards.pdf
      lastlook card --all steps --paper letter -o steps.pdf
    """
    from lastlook import bench_cards

    check_target(output, force=force, store=store)
    made = bench_cards.sheet(store, ids, kinds, paper)
    write(output, made.pdf, force=force, store=store)
    if as_json:
        print_json(
            {
                "file": str(output),
                "cards": [one.card.id for one in made.cards],
                "pages": made.pages,
                "lacking": made.lacking,
            }
        )
    else:
        click.echo(f"{output}: {plural(len(made.cards), 'card')} on {plural(made.pages, 'page')}.")
        if made.lacking:
            click.echo(f"'?' stands for letters that cannot be printed on: {', '.join(made.lacking)}.")
        click.echo("Print at 100 % (no fitting to the page), and check the scale on a card with a ruler.")
    return 0
