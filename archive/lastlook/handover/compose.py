"""From the material to the content of a record, in the order in which the trade reads it. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime

from lastlook.closing import cautions, item_log
from lastlook.handover import chapters, chapters_behind, chapters_records, chapters_wiring, topics
from lastlook.handover.content import Chapter, Content, PictureEntry, RunRow, Section, Statement
from lastlook.handover.material import Audience, Material
from lastlook.handover.words import N_, Words
from lastlook.plan import structure
from lastlook.records import Dimension, Picture, PictureKind
from lastlook.times import format_rfc3339

LABELS = {
    "contents": N_("Contents"),
    "search": N_("Search"),
    "search_hint": N_("Words, ids or colours: W03, splice, mast foot"),
    "search_off": N_("Searching needs JavaScript. Without it, use the contents and the list of pictures."),
    "found_none": N_("Nothing in this record has all of these words."),
    "found": N_("found"),
    "pictures": N_("Pictures"),
    "picture": N_("Picture"),
    "all_pictures": N_("All pictures"),
    "taken": N_("Taken"),
    "between": N_("Earliest and latest"),
    "basis": N_("How the time is known"),
    "file": N_("Original file"),
    "place": N_("Place in the clip"),
    "checksum": N_("SHA-256 of the original"),
    "shows": N_("Shows"),
    "caption": N_("Caption"),
    "spoken": N_("Spoken"),
    "camera": N_("Camera"),
    "size": N_("Size"),
    "original": N_("Original in this record"),
    "drawn": N_("With what was drawn on it; routes are drawn by hand or estimated"),
    "not_recorded": N_("not recorded"),
    "caution": N_("Caution"),
    "page": N_("Page"),
    "print": N_("For printing"),
    "tables": N_("Tables for other programs"),
    "schedule": N_("Wire schedule"),
    "skip": N_("Skip to the content"),
    "back": N_("Back to the record"),
    "previous": N_("Earlier picture"),
    "next": N_("Later picture"),
    "mentioned": N_("Said of it"),
    "issued": N_("State of the archive on"),
    "scope": N_("Scope"),
    "client": N_("For"),
    "proposed": N_("proposed, not confirmed"),
    "unchanged": N_("How to tell that nothing was changed"),
    "unchanged_text": N_(
        "This folder is a bag by RFC 8493: manifest-sha256.txt and manifest-sha512.txt hold the checksum of each file. "
        "Any program that knows BagIt checks all of them."
    ),
    "no_script": N_("This page works without JavaScript and without a network."),
}


def compose(material: Material, words: Words, *, limits: Sequence[str] = ()) -> Content:
    """The whole content of a record in one language. `limits`: what its forms cannot show, in sentences."""
    desk = chapters.Desk(material, words)
    made: list[Chapter] = [
        chapters.what(desk),
        chapters.handling(desk),
        chapters.access(desk),
        chapters.subassemblies(desk),
        chapters_wiring.wires(desk),
        chapters_behind.behind(desk),
        chapters_behind.bonds(desk),
        chapters_records.tests(desk),
        chapters_records.changes(desk),
        chapters_wiring.spares(desk),
    ]
    gaps = tuple(dict.fromkeys(desk.gaps))
    made.append(_limits(desk, gaps, limits))
    wanted = list(material.pictures)
    if material.audience is Audience.CLIENT:
        kept = referred(made)
        wanted = [id for id in wanted if id in kept]
    build = material.plan.build
    return Content(
        language=words.language,
        title=words(N_("Hand-over record: {build}"), build=build.name),
        subtitle=words(N_("What was photographed and noted while it was built")),
        build=build.name,
        client="" if "client" in material.fields else build.client,
        issued=words.date(material.issued),
        issued_on=format_rfc3339(material.issued, "UTC"),
        scope=material.scope,
        chapters=tuple(made),
        pictures=Entries(material, words, wanted),
        runs=tuple(_row(desk, run.id) for run in material.plan.runs if run.id in material.items),
        gaps=gaps,
        labels={key: words(text) for key, text in LABELS.items()},
        withheld=material.withheld,
    )


def _limits(desk: chapters.Desk, gaps: tuple[str, ...], limits: Sequence[str]) -> Chapter:
    words = desk.words
    said = desk.topics("limits")
    fixed = [cautions.LIMITS, topics.DRILLING, topics.DUST, topics.OLD]
    if desk.material.withheld:
        said.append(
            Statement(
                words.many(
                    "{n} entry or picture is private and is not in this record.",
                    "{n} entries or pictures are private and are not in this record.",
                    desk.material.withheld,
                )
            )
        )
    said += [Statement(text) for text in limits]
    listed = tuple(Statement(gap, missing=True) for gap in gaps)
    none = (Statement(words(N_("Nothing is known to be missing."))),)
    return Chapter(
        "limits",
        words(N_("Gaps and limits")),
        words(N_("What this record does not show, and what it cannot say.")),
        (
            Section("limits-gaps", words(N_("Not recorded")), listed or none),
            Section(
                "limits-limits",
                words(N_("Limits")),
                (*said, *(Statement(words(text), caution=True) for text in fixed)),
            ),
        ),
    )


def referred(made: list[Chapter]) -> set[str]:
    """Ids of all pictures that anything in these chapters leads to."""
    found: set[str] = set()
    for chapter in made:
        for section in chapter.sections:
            found.update(figure.picture for figure in section.figures)
            found.update(id for statement in section.statements for id in statement.pictures)
            found.update(id for table in section.tables for row in table.rows for cell in row for id in cell.pictures)
    return found


class Entries(Mapping[str, PictureEntry]):
    """The pictures of a record by id, in order. Each is put into words when it is first asked for: a preview of ten
    thousand pictures counts them and reads none."""

    def __init__(self, material: Material, words: Words, ids: Sequence[str]) -> None:
        self._material = material
        self._words = words
        self._titles = {id: item.title for id, item in structure.items(material.plan).items()}
        self._made: dict[str, PictureEntry | None] = dict.fromkeys(ids)

    def __getitem__(self, id: str) -> PictureEntry:
        made = self._made[id]
        if made is None:
            made = self._made[id] = entry(self._material, self._words, self._material.pictures[id], self._titles)
        return made

    def __iter__(self) -> Iterator[str]:
        return iter(self._made)

    def __len__(self) -> int:
        return len(self._made)

    def __contains__(self, id: object) -> bool:
        return id in self._made

    def __repr__(self) -> str:
        return repr(dict(self))


def entry(material: Material, words: Words, picture: Picture, titles: Mapping[str, str]) -> PictureEntry:
    """One picture as the record tells it. `titles` of everything in the plan, by id."""
    plan, own = material.plan, material.audience is Audience.OWN
    dimensions = {dimension: picture.counted(dimension) for dimension in Dimension}
    hidden = "proposals" in material.fields
    said = {id for dimension in Dimension for id in picture.said(dimension)}
    if hidden:
        dimensions = {key: tuple(id for id in ids if id in said) for key, ids in dimensions.items()}
    every = [id for ids in dimensions.values() for id in ids]
    subs, steps = dimensions[Dimension.SUBASSEMBLY], dimensions[Dimension.STEP]
    title = " – ".join(titles.get(ids[0], ids[0]) for ids in (subs, steps) if ids)
    caption = "" if "captions" in material.fields else picture.caption
    shows = ", ".join(f"{id} {titles.get(id, '')}".strip() for id in every)
    kind = words(N_("Still of a clip")) if picture.kind is PictureKind.STILL else words(N_("Photo"))
    alt = f"{kind}: {caption or title or words(N_('not described'))}"
    if shows:
        alt += f" ({shows})"
    time, zone = picture.time, plan.build.zone

    def stamp(value: datetime | None) -> str:
        return format_rfc3339(value, zone) if value is not None else ""

    return PictureEntry(
        id=picture.id,
        kind=picture.kind.value,
        title=title or caption or picture.id,
        alt=alt,
        caption=caption,
        spoken=picture.spoken if own and "spoken" not in material.fields else "",
        time=words.time(time),
        taken_at=stamp(time.instant),
        earliest=stamp(time.earliest),
        latest=stamp(time.latest),
        basis=time.basis,
        basis_words=_basis(words, time.basis),
        file=picture.file if "file-names" not in material.fields else "",
        clip_ms=picture.clip_ms,
        place="" if picture.clip_ms is None else _clock(picture.clip_ms),
        sha256=picture.sha256,
        width=picture.width,
        height=picture.height,
        shows=shows,
        subassemblies=subs,
        steps=steps,
        runs=dimensions[Dimension.RUN],
        parts=dimensions[Dimension.PART],
        proposed=tuple(id for id in every if id not in said),
        original=material.originals.get(picture.sha256, ("", ""))[0],
        original_note=material.originals.get(picture.sha256, ("", ""))[1],
        camera=picture.camera.split(" #")[0] if own and "cameras" not in material.fields else "",
        drawn=f"drawn/{picture.id}.jpg" if picture.id in material.drawings else "",
    )


_BASES = {
    "exif-original": N_("the camera's clock, as the file says"),
    "exif-digitized": N_("the camera's clock, as the file says"),
    "creation-date": N_("the clip's creation date with its time zone"),
    "container": N_("the clip's creation time"),
    "gps": N_("satellite time"),
    "xmp": N_("a date noted in the file"),
    "exif-modified": N_("the date of the file's last change by a program"),
    "file-name": N_("the file's name"),
    "file-system": N_("the date of the file on the disk"),
    "unknown": N_("nothing says when"),
}


def _basis(words: Words, basis: str) -> str:
    head = basis.split("+")[0]
    text = words(_BASES[head]) if head in _BASES else head
    if "+clock" in basis:
        text += ", " + words(N_("with the correction of that clock"))
    if "+zone" in basis:
        text += ", " + words(N_("read in the time zone of the build"))
    return text


def _clock(clip_ms: int) -> str:
    minutes, rest = divmod(clip_ms, 60_000)
    return f"{minutes}:{rest / 1000:06.3f}"


def _row(desk: chapters.Desk, id: str) -> RunRow:
    run = next(one for one in desk.material.plan.runs if one.id == id)
    changes = desk.facts.changes.get(id, ())
    return RunRow(
        id=run.id,
        title=run.title,
        colour=item_log.colour(run, changes),
        tracer=run.tracer,
        gauge_awg=run.gauge_awg,
        source=run.source,
        target=run.target,
        cut_length_mm=item_log.cut_length(run, changes),
        loop_mm=run.loop_mm,
        polarity=run.polarity,
        volts=run.volts,
        milliamps=run.milliamps,
        subassemblies=run.subassemblies,
        crosses=run.crosses,
        status=run.status.value,
        last_look=tuple(one.picture for one in desk.look(id)),
    )
