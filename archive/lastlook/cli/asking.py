"""`find`, `show`, `timeline`: ask about past states."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import click

from lastlook import times
from lastlook.archive import text_to_path
from lastlook.cameras import Cameras, cameras
from lastlook.cli.common import (
    clock,
    harmless,
    hit_json,
    instant,
    json_option,
    mapping_json,
    needs_store,
    picture_json,
    picture_line,
    plural,
    print_json,
    time_json,
    where,
)
from lastlook.cli.progress import shown
from lastlook.records import Answer, Closing, Hit, Opening, PictureKind, Question, Sort, TagState
from lastlook.store import Store

if TYPE_CHECKING:
    from lastlook.history import Shown


@click.command()
@click.argument("words", nargs=-1)
@click.option("--in", "subassemblies", multiple=True, metavar="SUB", help="Of a subassembly and what is built into it.")
@click.option("--step", "steps", multiple=True, metavar="ID", help="Of a step.")
@click.option("--run", "runs", multiple=True, metavar="ID", help="Of a run.")
@click.option("--part", "parts", multiple=True, metavar="ID", help="Of a part.")
@click.option("--before-closing", default="", metavar="OPENING", help="Surely before an opening was closed.")
@click.option("--after-closing", default="", metavar="OPENING", help="Surely after an opening was closed.")
@click.option("--since", metavar="T", help="Surely not before this time.")
@click.option("--until", metavar="T", help="Surely not after this time.")
@click.option("--kind", type=click.Choice([kind.value for kind in PictureKind]), help="Photos only, or stills only.")
@click.option("--sort", type=click.Choice([sort.value for sort in Sort]), help="The order of the answer.")
@click.option("--limit", type=click.IntRange(1, 1000), default=20, show_default=True, help="How many are shown.")
@json_option
@needs_store
def find(
    store: Store,
    words: tuple[str, ...],
    subassemblies: tuple[str, ...],
    steps: tuple[str, ...],
    runs: tuple[str, ...],
    parts: tuple[str, ...],
    before_closing: str,
    after_closing: str,
    since: str | None,
    until: str | None,
    kind: str | None,
    sort: str | None,
    limit: int,
    as_json: bool,
) -> int:
    """Find pictures by WORDS in captions, spoken words, the plan's titles, aliases and ids, and by what narrows them.

    All words must be there; "in quotes" next to each other; -word must not; lan* begins with. Without WORDS, all
    pictures that fit are found. An option given again widens: any of its ids. The newest before a closing comes first:
    the last look.

    \b
    Example:
      lastlook find splice --run W03 --before-closing O4
      lastlook find --in MAST --since "10 March 2026" --sort oldest
    """
    from datetime import UTC, datetime

    from lastlook.find import find as answer_to

    now = datetime.now(UTC)
    question = Question(
        words=" ".join(words),
        subassemblies=subassemblies,
        steps=steps,
        runs=runs,
        parts=parts,
        before_closing=before_closing,
        after_closing=after_closing,
        since=times.parse_when(since, store.zone, now).earliest if since else None,
        until=times.parse_when(until, store.zone, now).latest if until else None,
        kind=PictureKind(kind) if kind else None,
        sort=Sort(sort) if sort else None,
        limit=limit,
    )
    answer = answer_to(store, question)
    if as_json:
        print_json(answer_json(answer, store.zone, cameras(store.catalogue)))
    else:
        for line in answer_lines(answer, store.zone):
            click.echo(line)
    return 0 if answer.total else 1


def answer_json(answer: Answer, zone: str, called: Cameras) -> dict[str, object]:
    def hit_with_camera(hit: Hit) -> dict[str, object]:
        return {**hit_json(hit, zone), "camera": called.shown(hit.picture.camera) if hit.picture.camera else None}

    return {
        "total": answer.total,
        "hits": [hit_with_camera(hit) for hit in answer.hits],
        "undetermined_total": answer.undetermined_total,
        "undetermined": [hit_with_camera(hit) for hit in answer.undetermined],
        "nearest": mapping_json(answer.nearest),
        "said": list(answer.said),
    }


def answer_lines(answer: Answer, zone: str, shown: int | None = None) -> Iterator[str]:
    """An answer for a terminal: the sure pictures, then those whose order cannot be told, then what is worth saying."""
    hits = answer.hits[:shown]
    if hits:
        more = f", {len(hits)} shown" if len(hits) < answer.total else ""
        yield plural(answer.total, "picture") + more
        for hit in hits:
            yield from _hit_lines(hit, zone)
    if answer.undetermined:
        yield ""
        yield f"Cannot be told: {plural(answer.undetermined_total, 'picture')} whose time leaves the order open"
        for hit in answer.undetermined[: shown or 5]:
            yield from _hit_lines(hit, zone)
    for word, near in answer.nearest.items():
        if near:
            yield f"No picture has the word {word!r}. Known words like it: {', '.join(near)}."
        else:
            yield f"No picture has the word {word!r}, nor one like it."
    yield from answer.said


def _hit_lines(hit: Hit, zone: str) -> Iterator[str]:
    yield f"  {picture_line(hit.picture, zone)}"
    if hit.picture.caption:
        yield f"      “{harmless(hit.picture.caption)}”"
    if hit.why:
        yield f"      {hit.why}"


@click.command(no_args_is_help=True)
@click.argument("picture")
@json_option
@needs_store
def show(store: Store, picture: str, as_json: bool) -> int:
    """Show all that is known of a PICTURE: its time and why, its file, its tags and where they come from.

    \b
    Example:
      lastlook show p3fa9c21b07de
    """
    from lastlook import history

    shown = history.show(store, picture)
    if as_json:
        print_json(shown_json(shown, store.zone, cameras(store.catalogue)))
    else:
        for line in shown_lines(shown, store.zone, cameras(store.catalogue)):
            click.echo(line)
    return 0


def shown_json(shown: Shown, zone: str, called: Cameras) -> dict[str, object]:
    picture, medium = shown.picture, shown.medium
    return {
        **picture_json(picture, zone),
        "time_why": picture.time.why,
        "claims": [
            {
                "source": claim.source.value,
                "text": claim.text,
                "wall": claim.wall.isoformat() if claim.wall else None,
                "offset_min": claim.offset_min,
                "fault": claim.fault,
            }
            for claim in medium.claims
        ],
        "spoken": picture.spoken,
        "width": picture.width,
        "height": picture.height,
        "camera": called.shown(picture.camera) if picture.camera else "",
        "camera_key": picture.camera,
        "facts": dict(medium.facts),
        "warnings": list(medium.warnings),
        "original": medium.stored,
        "left_in_place": medium.in_place,
        "met_at": list(shown.sources),
        "tags": [
            {
                "dimension": tag.dimension.value,
                "target": tag.target,
                "state": tag.state.value,
                "counts": tag.counts,
                "by": tag.by,
                "why": tag.why,
                "confidence": tag.confidence,
            }
            for tag in picture.tags
        ],
        "near_duplicates": [other.id for other in shown.group if other.id != picture.id],
        "earlier": shown.earlier or None,
        "later": shown.later or None,
        "motion_clip": shown.motion.id if shown.motion else None,
        "decisions": [
            {
                "decision": decision.uid,
                "at": instant(decision.at, zone),
                "by": decision.by,
                "kind": decision.kind,
                "undone": undone,
            }
            for decision, undone in shown.decisions
        ],
    }


def shown_lines(shown: Shown, zone: str, called: Cameras) -> Iterator[str]:
    picture, medium = shown.picture, shown.medium
    yield f"{picture.id}  {where(picture)}"
    yield f"  taken    {times.describe(picture.time, zone)}"
    yield f"           {picture.time.why}"
    for claim in medium.claims:
        doubt = f"  (not used: {claim.fault})" if claim.fault else ""
        yield f"           {claim.source.value}: {harmless(claim.text)}{doubt}"
    if picture.caption:
        yield f"  caption  {harmless(picture.caption)}"
    if picture.spoken:
        yield f"  spoken   {harmless(picture.spoken)}"
    for tag in picture.tags:
        state = {
            TagState.SET: "yes",
            TagState.REJECTED: "no ",
            TagState.PROPOSED: f"{tag.confidence:.0%} " + ("proposed" if tag.counts else "offered"),
        }[tag.state]
        yield f"  {tag.dimension.value:<12} {tag.target:<10} {state:<14} {tag.why}"
    yield f"  camera   {harmless(called.shown(picture.camera)) if picture.camera else 'the file does not say'}"
    if medium.facts:
        yield "  facts    " + ", ".join(f"{key} {harmless(str(value))}" for key, value in medium.facts.items())
    yield f"  size     {picture.width} × {picture.height}, {medium.format}"
    place = "left in place at" if medium.in_place else "original in the archive at"
    yield f"  file     {place} {harmless(str(text_to_path(medium.stored)))}"
    for source in shown.sources:
        yield f"           met at {harmless(str(text_to_path(source)))}"
    yield f"  sha256   {picture.sha256}"
    if picture.clip_ms is not None:
        yield f"  clip     {medium.id} at {clock(picture.clip_ms)} of {clock(medium.duration_ms or 0)}"
    if shown.motion:
        yield f"  motion   {shown.motion.id} {shown.motion.file}"
    others = [other.id for other in shown.group if other.id != picture.id]
    if others:
        yield f"  near-duplicates  {' '.join(others)}"
    for warning in medium.warnings:
        yield f"  note     {warning}"


@click.command(no_args_is_help=True)
@click.argument("sub", metavar="SUB")
@click.option("--quick", is_flag=True, help="Do not compare the pictures; the first comparison takes a second each.")
@json_option
@needs_store
def timeline(store: Store, sub: str, quick: bool, as_json: bool) -> int:
    """Steps and openings of a subassembly in order, each with the picture before and after it, gaps named.

    The two pictures are laid over each other, where they can be, and the places that changed are counted; 'lastlook
    changes' shows where they are.

    \b
    Example:
      lastlook timeline MAST
    """
    from lastlook import aligning, history
    from lastlook.cli.comparing import compared_json, compared_words

    found = history.timeline(store, sub)
    compared: dict[str, aligning.BeforeAfter] = {}
    if not quick:
        with shown(quiet=as_json) as report:
            compared = aligning.along(store, found, report)
    zone = store.zone
    if as_json:
        print_json(
            {
                "subassembly": found.subassembly.id,
                "title": found.subassembly.title,
                "total": found.total,
                "moments": [
                    {
                        "kind": "opening" if isinstance(moment.item, Opening) else "step",
                        "id": moment.item.id,
                        "title": moment.item.title,
                        "closed": closing_json(moment.closing, zone),
                        "before": picture_json(moment.before, zone) if moment.before else None,
                        "after": picture_json(moment.after, zone) if moment.after else None,
                        "change": compared_json(compared.get(moment.item.id)),
                        "pictures": moment.count,
                        "undetermined": moment.undetermined,
                        "gaps": list(moment.gaps),
                    }
                    for moment in found.moments
                ],
            }
        )
        return 0
    title = found.subassembly
    yield_lines = [f"{title.id} {title.title}: {plural(found.total, 'picture')}"]
    for moment in found.moments:
        yield_lines.append("")
        if isinstance(moment.item, Opening):
            yield_lines.append(f"── {moment.item.id} {moment.item.title}: {closing_words(moment.closing, zone)}")
        else:
            yield_lines.append(f"{moment.item.id} {moment.item.title}: {plural(moment.count, 'picture')}")
        if moment.before:
            yield_lines.append(f"   before  {picture_line(moment.before, zone)}")
        if moment.after:
            yield_lines.append(f"   after   {picture_line(moment.after, zone)}")
        if moment.item.id in compared:
            yield_lines.append(f"   change  {compared_words(compared[moment.item.id])}")
        if moment.undetermined:
            yield_lines.append(f"   cannot be told: {plural(moment.undetermined, 'picture')}")
        yield_lines.extend(f"   gap: {gap}" for gap in moment.gaps)
    if not found.moments:
        yield_lines.append("The plan has no step and no opening for it.")
    for line in yield_lines:
        click.echo(line)
    return 0


def closing_json(closing: Closing | None, zone: str) -> dict[str, object] | None:
    if closing is None:
        return None
    reopened = time_json(closing.reopened, zone) if closing.reopened else None
    return {
        "closed_at": instant(closing.time.instant, zone),
        "earliest": instant(closing.time.earliest, zone),
        "latest": instant(closing.time.latest, zone),
        "method": closing.method,
        "by": closing.by,
        "decision": closing.decision,
        "reopened": reopened,
    }


def closing_words(closing: Closing | None, zone: str) -> str:
    if closing is None:
        return "open"
    text = f"closed {times.describe(closing.time, zone)}"
    if closing.method:
        text += f", {closing.method}"
    if closing.reopened:
        text += f"; opened again {times.describe(closing.reopened, zone)}"
    return text
