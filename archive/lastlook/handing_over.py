"""Write the hand-over record: say before what goes in, how large it is and what is missing; then pages, print, tables,
copies, a bag around them, a ZIP and a signature. Nothing lies under the final name until all of it is there.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

from PIL import Image

from lastlook import derived_again, viewing
from lastlook.catalogue import media, pictures
from lastlook.catalogue.media import Medium
from lastlook.errors import ArchiveError, UsageError
from lastlook.gathering import Scope, material, subassembly_titles
from lastlook.handover import bag, drawing, fonts, metadata, packing, printed, signing, site, tables
from lastlook.handover.compose import compose
from lastlook.handover.content import Content, PictureEntry
from lastlook.handover.material import Audience, Material
from lastlook.handover.words import N_, Words, words_of
from lastlook.locking import held
from lastlook.plan import structure
from lastlook.progress import Progress, Report, Stage, silent
from lastlook.records import Picture, PictureKind
from lastlook.store import Store

EDGE = 1600
SMALL = 560
SIZES = (640, 6000)
_PAGE_EDGE = 1280  # the long edge of the derived pictures that copies are made from
_PAGE_BYTES = 5200  # a picture's own page
_FIXED_BYTES = 900_000  # fonts of the print, style, script, the chapters
_NAMED = 24  # letters without a font that the record names one by one
_HINT = "Choose another name, or move what is there out of the way."


@dataclass(frozen=True, slots=True)
class Options:
    """How a record is wanted. `edge`: the longest side of copies in pixels; `originals`: they go along;
    `keep_metadata`: as they are, with place, serial numbers and owner; `print_`, `zip_`: those forms too."""

    scope: Scope = field(default_factory=Scope)
    audience: Audience = Audience.CLIENT
    language: str = "en"
    edge: int = EDGE
    originals: bool = False
    keep_metadata: bool = False
    print_: bool = True
    zip_: bool = False
    paper: str = "a4"
    key: Path | None = None

    def check(self) -> None:
        low, high = SIZES
        if not low <= self.edge <= high:
            raise UsageError(f"copies of {self.edge} pixels cannot be made", f"Give {low} to {high}.")
        if self.paper not in printed.PAPERS:
            raise UsageError(f"there is no paper {self.paper!r}", f"Papers: {', '.join(printed.PAPERS)}.")
        if self.keep_metadata and not self.originals:
            raise UsageError("copies never carry the original's metadata", "Ask for --originals as well.")


@dataclass(frozen=True, slots=True)
class Preview:
    """What would be written. `left_out`: originals that cannot go along, each with the reason; `unprintable`: letters
    that the print cannot show, and `hints` what to do about them; `fonts`: those of this computer that it needs."""

    content: Content
    photos: int
    stills: int
    size_bytes: int
    originals: int
    original_bytes: int
    gaps: tuple[str, ...]
    withheld: int
    left_out: tuple[str, ...]
    unprintable: str
    hints: tuple[str, ...]
    fonts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Composed:
    """All that a record is written from; `letters` are those of its print, None where there is none."""

    found: Material
    content: Content
    originals: tuple[Medium, ...]
    left_out: tuple[str, ...]
    letters: fonts.Letters | None


@dataclass(frozen=True, slots=True)
class Written:
    folder: Path
    zip_file: Path | None
    pictures: int
    files: int
    size_bytes: int
    gaps: tuple[str, ...]
    left_out: tuple[str, ...]
    signature: Path | None = None


def preview(store: Store, options: Options) -> Preview:
    """What a record would hold, how large it would be and what is missing. Writes nothing."""
    made = _composed(store, options)
    content, letters = made.content, made.letters
    shown = [made.found.pictures[id] for id in content.pictures]
    stills = sum(picture.kind is PictureKind.STILL for picture in shown)
    size = _FIXED_BYTES + sum(_PAGE_BYTES + _copies_bytes(store, picture, options) for picture in shown)
    original_bytes = sum(medium.size_bytes for medium in made.originals)
    return Preview(
        content,
        len(content.pictures) - stills,
        stills,
        size + original_bytes,
        len(made.originals),
        original_bytes,
        content.gaps,
        content.withheld,
        made.left_out,
        letters.missing if letters else "",
        fonts.hints(letters.missing) if letters else (),
        letters.of_machine if letters else (),
    )


def _copies_bytes(store: Store, picture: Picture, options: Options) -> int:
    """About how large the copies become: from the size of what they are made from, where that is there."""
    longest = max(picture.width, picture.height, 1)
    try:
        made = os.stat(f"{store.archive.derived}/{picture.page}").st_size  # noqa: PTH116 - ten thousand of them
    except OSError:
        made = 0
    page = min(longest, _PAGE_EDGE)
    octets = made or picture.width * picture.height * (page / longest) ** 2 * 0.2

    def copy(edge: int) -> int:
        wanted = min(longest, edge) if edge > EDGE else min(page, edge)
        # A smaller copy has more detail a pixel: sizes go with the side to the power of 1.6, measured on bench
        # photographs.
        return int(octets * 1.15 * (wanted / page) ** 1.6) + 3500

    return copy(options.edge) + copy(SMALL) * (2 if options.print_ else 1)


def _texts(found: Material, content: Content) -> Iterator[str]:
    """All that the print may say."""
    yield from (content.title, content.client, content.scope)
    yield from (item.title for item in structure.items(found.plan).values())
    for id in content.pictures:
        yield from (found.pictures[id].caption, found.pictures[id].file)
    for chapter in content.chapters:
        yield from printed.chapter_texts(chapter)


def _composed(store: Store, options: Options) -> _Composed:
    options.check()
    words = words_of(options.language, store.zone)
    found = replace(material(store, options.scope, options.audience), scope=_scope_words(store, options, words))
    content = compose(found, words)
    letters = fonts.look(_texts(found, content)) if options.print_ else None
    originals: list[Medium] = []
    left_out: list[str] = []
    names: dict[str, str] = {}
    if options.originals:
        hidden = "file-names" in found.fields
        for sha256 in dict.fromkeys(found.pictures[id].sha256 for id in content.pictures):
            medium = media.get(store.catalogue, sha256)
            if medium is None:
                continue
            reason = _cannot_go(store, medium, options)
            if reason:
                left_out.append(f"{sha256[:12] if hidden else medium.file}: {reason}")
            else:
                originals.append(medium)
                names[sha256] = f"originals/{sha256[:12]}{_name(medium, hidden=hidden)}"
    found = replace(found, originals=names)
    content = compose(found, words, limits=_limits(letters, words))
    return _Composed(found, content, tuple(originals), tuple(left_out), letters)


def _limits(letters: fonts.Letters | None, words: Words) -> tuple[str, ...]:
    """What the print cannot show as it was written, and what its bytes depend on."""
    said = []
    if letters is not None and letters.missing:
        named = [f"{letter} (U+{ord(letter):04X})" for letter in letters.missing[:_NAMED]]
        more = f" … {len(letters.missing)}" if len(letters.missing) > _NAMED else ""
        said.append(
            words(
                N_("The print has no letters for {letters} and shows [?] in their place; the pages show them."),
                letters=", ".join(named) + more,
            )
        )
    if letters is not None and letters.of_machine:
        said.append(
            words(
                N_(
                    "The print uses fonts of the computer on which it was written ({fonts}); written on another, its "
                    "file may differ."
                ),
                fonts=", ".join(letters.of_machine),
            )
        )
    return tuple(said)


def _name(medium: Medium, *, hidden: bool) -> str:
    """The end of an original's name in the record: names that any system can hold."""
    if hidden:
        return Path(medium.file).suffix.lower()
    return "-" + "".join(letter if letter.isalnum() or letter in "._-" else "_" for letter in medium.file)[-80:]


def _cannot_go(store: Store, medium: Medium, options: Options) -> str:
    path = store.archive.original(medium.stored, medium.in_place)
    if not path.is_file():
        return "its original is not where it was"
    if not options.keep_metadata and medium.format.upper() not in {"JPEG", "MPO"}:
        return (
            "its place, camera and owner cannot be taken out of this kind of file; --keep-metadata lets it go as it is"
        )
    return ""


def _scope_words(store: Store, options: Options, words: Words) -> str:
    parts = subassembly_titles(store, options.scope.subassemblies)
    if options.scope.since:
        parts.append(words(N_("since {date}"), date=words.date(options.scope.since)))
    if options.scope.until:
        parts.append(words(N_("until {date}"), date=words.date(options.scope.until)))
    return ", ".join(parts)


# ------------------------------------------------------------------------------------------------ writing


def write(store: Store, options: Options, out: Path, *, report: Report = silent) -> Written:
    """Write the record into the new folder `out` (and `out.zip`). Raises UsageError, ArchiveError; when it is stopped
    or fails, nothing lies under those names."""
    out = out.absolute()
    zip_file = out.with_name(out.name + ".zip") if options.zip_ else None
    for path in (out, *((zip_file,) if zip_file else ())):
        if path.exists():
            raise UsageError(f"{path} is there already", _HINT)
    if out.is_relative_to(store.archive.root):
        raise UsageError("a record cannot lie inside the archive", "Choose a folder outside of it.")
    lock = store.archive.incoming / "handover.lock"
    with held(lock, "another record of this archive is being written"), _unfinished(out) as part:
        made = _composed(store, options)
        found, content = made.found, made.content
        if not content.pictures:
            raise UsageError("no picture would be in this record", "Widen its scope, or see what is private.")
        data = part / "data"
        _copies(store, content, data, options.edge, report)
        _drawn(found, content, data)
        _originals(store, found, made.originals, data, options, report)
        extras = _tables(content, data)
        if options.print_:
            target, paper = data / "record.pdf", options.paper
            printed.write(content, target, data / "small", found.issued, paper=paper, report=report)
            extras.insert(0, (content.labels["print"] + " (PDF)", "record.pdf"))
        site.write(content, data, extras=extras, report=report)
        bag.write(part, _bag_info(content), report)
        signature = None
        if options.key is not None:
            signed = part / "tagmanifest-sha512.txt"
            passphrase = os.environ.get("LASTLOOK_KEY_PASSPHRASE", "")
            signature = out / (signed.name + ".sig")
            (part / signature.name).write_bytes(signing.sign(signed, options.key, passphrase))
        if zip_file is not None:
            temporary = part.with_name(part.name + ".zip")
            packing.write(part, temporary, found.issued, report, name=out.name)
        files = [path for path in part.rglob("*") if path.is_file()]
        size = sum(path.stat().st_size for path in files)
        part.replace(out)
        if zip_file is not None:
            temporary.replace(zip_file)
    return Written(out, zip_file, len(content.pictures), len(files), size, content.gaps, made.left_out, signature)


@contextmanager
def _unfinished(out: Path) -> Iterator[Path]:
    """A folder beside `out` to write into; gone afterwards, whatever happens. One left by a killed run is removed."""
    part = out.with_name(f".{out.name}.part")
    zipped = part.with_name(part.name + ".zip")

    def clear() -> None:
        shutil.rmtree(part, ignore_errors=True)
        zipped.unlink(missing_ok=True)

    try:
        clear()
        part.mkdir(parents=True)
        for name in ("data/pictures", "data/small"):
            (part / name).mkdir(parents=True)
    except OSError as error:
        raise ArchiveError(
            f"{out.parent} cannot be written to: {(error.strerror or 'error').lower()}", "Choose another folder."
        ) from error
    try:
        yield part
    except OSError as error:
        raise ArchiveError(
            f"the record could not be written: {(error.strerror or str(error)).lower()}",
            "Check the disk and its room, then try again; nothing was left behind.",
        ) from error
    finally:
        clear()


def _copies(store: Store, content: Content, data: Path, edge: int, report: Report) -> None:
    """Two copies of each picture, made by a few threads; only the source is looked up here, since a store belongs to
    one thread."""
    entries = list(content.pictures.values())
    rids = {picture.id: picture for picture in _of(store, entries)}
    waiting: set[Future[None]] = set()
    done = 0
    workers = ThreadPoolExecutor(max(2, os.cpu_count() or 2))
    try:
        for entry in entries:
            picture = rids[entry.id]
            longest = max(picture.width, picture.height)
            source = derived_again.ensure(store, picture, "page")
            if edge > EDGE and picture.kind is PictureKind.PHOTO and longest > EDGE:
                source = viewing.large(store, picture, edge)
            described = describe(content, entry)
            waiting.add(
                workers.submit(_copy, source, data / "pictures", data / "small", f"{entry.id}.jpg", edge, described)
            )
            while len(waiting) > 8:
                finished, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                done += _counted(finished)
                report(Progress(Stage.PICTURES, done, len(entries), note=entry.id))
        finished, waiting = wait(waiting)
        _counted(finished)
        report(Progress(Stage.PICTURES, len(entries), len(entries)))
    finally:
        workers.shutdown(wait=True, cancel_futures=True)


def _drawn(found: Material, content: Content, data: Path) -> None:
    """A second copy of each picture on which something is drawn, with the drawings."""
    entries = [entry for entry in content.pictures.values() if entry.drawn]
    if entries:
        (data / "drawn").mkdir()
    for entry in entries:
        with Image.open(data / "pictures" / f"{entry.id}.jpg") as image:
            drawn = drawing.draw(image, found.drawings[entry.id], image.width / entry.width)
        metadata.save(drawn, data / entry.drawn, describe(content, entry, drawn=True))


def _of(store: Store, entries: Sequence[PictureEntry]) -> list[Picture]:
    rids = pictures.rids_of_ids(store.catalogue, [entry.id for entry in entries])
    return pictures.by_rids(store.catalogue, list(rids.values()))


def _counted(finished: set[Future[None]]) -> int:
    for future in finished:
        future.result()
    return len(finished)


def _copy(source: Path, large: Path, small: Path, name: str, edge: int, described: metadata.Description) -> None:
    metadata.copy(source, large / name, edge, described)
    metadata.copy(large / name, small / name, SMALL, described)


def describe(content: Content, entry: PictureEntry, *, drawn: bool = False) -> metadata.Description:
    """What a copy of a picture says of itself."""
    groups = {"subassembly": entry.subassemblies, "step": entry.steps, "run": entry.runs, "part": entry.parts}
    step = entry.steps[0] if entry.steps else ""
    event = next((part for part in entry.shows.split(", ") if step and part.startswith(f"{step} ")), step)
    extended = ". ".join(part for part in (entry.alt, entry.time, entry.basis_words) if part)
    return metadata.Description(
        id=entry.id,
        title=entry.title,
        description=entry.caption or entry.shows,
        alt=entry.alt,
        extended=extended,
        keywords=metadata.keywords(groups),
        event=event,
        event_id=step,
        thing=content.build,
        language=content.language,
        drawn=drawn,
    )


def _originals(
    store: Store, found: Material, originals: Sequence[Medium], data: Path, options: Options, report: Report
) -> None:
    if not originals:
        return
    (data / "originals").mkdir()
    for number, medium in enumerate(originals):
        report(Progress(Stage.COPY, number, len(originals), note=medium.file))
        source = store.archive.original(medium.stored, medium.in_place)
        target = data / found.originals[medium.sha256]
        if options.keep_metadata:
            shutil.copyfile(source, target)
        else:
            try:
                target.write_bytes(metadata.without_metadata(source.read_bytes()))
            except metadata.NotCleanable as reason:
                raise ArchiveError(
                    f"{medium.file} cannot go along without its metadata: {reason}",
                    "Leave --originals out, or let them go as they are with --keep-metadata.",
                ) from reason


def _tables(content: Content, data: Path) -> list[tuple[str, str]]:
    (data / "tables").mkdir()
    files = {
        "schedule.csv": tables.schedule_csv(content),
        "schedule.json": tables.to_json(content, "runs", tables.schedule(content)),
        "pictures.csv": tables.pictures_csv(content),
        "pictures.json": tables.to_json(content, "pictures", tables.pictures(content)),
    }
    for name, body in files.items():
        (data / "tables" / name).write_bytes(body)
    titles = {"schedule": content.labels["schedule"], "pictures": content.labels["all_pictures"]}
    return [(f"{titles[name.split('.')[0]]} ({name.split('.')[1].upper()})", f"tables/{name}") for name in files]


def _bag_info(content: Content) -> list[tuple[str, str]]:
    return [
        ("External-Description", content.title),
        ("Bagging-Date", content.issued_on[:10]),
        ("External-Identifier", content.build),
        ("Bag-Software-Agent", "lastlook"),
    ]
