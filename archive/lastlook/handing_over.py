"""Write the hand-over record: pages, print, tables, copies, a bag around them, a ZIP and a signature. What goes in, and
what is missing, `previewing` says before. Nothing lies under the final name until all of it is there.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from PIL import Image

from lastlook import derived_again, originals, viewing
from lastlook.archive import Archive, path_to_text, text_to_path
from lastlook.catalogue import pictures
from lastlook.errors import ArchiveError, UsageError
from lastlook.handover import bag, cleaning, drawing, metadata, packing, printed, signing, site, stripping, tables
from lastlook.handover.cleaning import How, NotCleanable
from lastlook.handover.content import Content, PictureEntry
from lastlook.handover.material import Material
from lastlook.intake import fingerprint
from lastlook.locking import held
from lastlook.naming_targets import check_name
from lastlook.plan import structure
from lastlook.previewing import EDGE, SMALL, Composed, Options, Preview, composed, preview
from lastlook.progress import Progress, Report, Stage, silent
from lastlook.records import Picture, PictureKind
from lastlook.store import Store

__all__ = ["EDGE", "Options", "Preview", "Written", "clear_unfinished", "describe", "preview", "write"]

_HINT = "Choose another name, or move what is there out of the way."


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


# ------------------------------------------------------------------------------------------------ writing


def write(store: Store, options: Options, out: Path, *, report: Report = silent) -> Written:
    """Write the record into the new folder `out` (and `out.zip`). Raises UsageError, ArchiveError; when it is stopped
    or fails, nothing lies under those names."""
    out = out.absolute()
    check_target(store, options, out)
    zip_file = _zip_of(out) if options.zip_ else None
    with _alone(store.archive), _unfinished(out, _note(store.archive)) as part:
        made = composed(store, options, report=report)
        if not made.content.pictures:
            raise UsageError("no picture would be in this record", "Widen its scope, or see what is private.")
        data = part / "data"
        if made.originals:
            made = composed(store, options, _originals(store, made, data, options, report), report=report)
        found, content = made.found, made.content
        _copies(store, made, data, options.edge, report)
        _drawn(made, data)
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
            signature = out / (signed.name + ".sig")
            (part / signature.name).write_bytes(signing.sign(signed, options.key, _passphrase()))
        if zip_file is not None:
            temporary = part.with_name(part.name + ".zip")
            packing.write(part, temporary, found.issued, report, name=out.name)
        files = [path for path in part.rglob("*") if path.is_file()]
        size = sum(path.stat().st_size for path in files)
        part.replace(out)
        if zip_file is not None:
            temporary.replace(zip_file)
    return Written(out, zip_file, len(content.pictures), len(files), size, content.gaps, made.left_out, signature)


def check_target(store: Store, options: Options, out: Path) -> None:
    """Raises UsageError where no record can be written to `out`, or none can be signed as asked; reads no picture."""
    out = out.absolute()
    check_name(out)
    for path in (out, *((_zip_of(out),) if options.zip_ else ())):
        if path.exists() or path.is_symlink():
            raise UsageError(f"{path} is there already", _HINT)
    if out.resolve().is_relative_to(store.archive.root.resolve()):
        raise UsageError("a record cannot lie inside the archive", "Choose a folder outside of it.")
    if options.key is not None:
        signing.check_key(options.key, _passphrase())


def _zip_of(out: Path) -> Path:
    return out.with_name(out.name + ".zip")


def _passphrase() -> str:
    return os.environ.get("LASTLOOK_KEY_PASSPHRASE", "")


def clear_unfinished(archive: Archive) -> None:
    """Remove what a killed run left of a record, wherever it was to lie. Raises ArchiveBusy while one is written, and
    ArchiveError."""
    with _alone(archive):
        _clear_noted(_note(archive))


def _alone(archive: Archive) -> AbstractContextManager[None]:
    return held(archive.incoming / "handover.lock", "another record of this archive is being written")


def _note(archive: Archive) -> Path:
    """Where it is noted which folder is being written: the next record is written under another name."""
    return archive.incoming / "handover.unfinished"


def _clear_noted(note: Path) -> None:
    with suppress(OSError, ValueError):
        part = text_to_path(note.read_text(encoding="utf-8"))
        if part.is_absolute() and part.name.startswith(".") and part.suffix == ".part":
            _clear(part)
        note.unlink()


def _clear(part: Path) -> None:
    shutil.rmtree(part, ignore_errors=True)
    part.with_name(part.name + ".zip").unlink(missing_ok=True)


@contextmanager
def _unfinished(out: Path, note: Path) -> Iterator[Path]:
    """A folder beside `out` to write into; gone afterwards, whatever happens. One left by a killed run is removed."""
    part = out.with_name(f".{out.name}.part")
    try:
        _clear_noted(note)
        _clear(part)
        note.write_text(path_to_text(part), encoding="utf-8")
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
        _clear(part)
        note.unlink(missing_ok=True)


def _copies(store: Store, made: Composed, data: Path, edge: int, report: Report) -> None:
    """Two copies of each picture, made by a few threads; only the source is looked up here, since a store belongs to
    one thread."""
    entries = list(made.content.pictures.values())
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
            described = describe(made, entry)
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


def _drawn(made: Composed, data: Path) -> None:
    """A second copy of each picture on which something is drawn, with the drawings."""
    entries = [entry for entry in made.content.pictures.values() if entry.drawn]
    if entries:
        (data / "drawn").mkdir()
    for entry in entries:
        with Image.open(data / "pictures" / f"{entry.id}.jpg") as image:
            drawn = drawing.draw(image, made.found.drawings[entry.id], image.width / entry.width)
        metadata.save(drawn, data / entry.drawn, describe(made, entry, drawn=True))


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


def describe(made: Composed, entry: PictureEntry, *, drawn: bool = False) -> metadata.Description:
    """What a copy of a picture says of itself."""
    content = made.content
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
        regions=_regions(made.found, entry),
    )


def _regions(found: Material, entry: PictureEntry) -> tuple[metadata.Region, ...]:
    """Where the things lie that somebody has marked on a picture."""
    items = structure.items(found.plan)
    wide, tall = max(entry.width, 1), max(entry.height, 1)
    return tuple(
        metadata.Region(
            one.label,
            f"{one.label} {items[one.label].title}".strip(),
            tuple((min(max(x / wide, 0.0), 1.0), min(max(y / tall, 0.0), 1.0)) for x, y in one.points),
            line=one.shape == "trace",
        )
        for one in found.drawings.get(entry.id, ())
        if one.label in items
    )


def _originals(
    store: Store, made: Composed, data: Path, options: Options, report: Report
) -> dict[str, How | NotCleanable]:
    """Write the originals that go along; what became of each. One that cannot be cleaned stays out, and one that is
    another file by now: the record would say of it what is true of the one that was taken in."""
    (data / "originals").mkdir()
    done: dict[str, How | NotCleanable] = {}
    for number, medium in enumerate(made.originals):
        now = Progress(Stage.COPY, number, len(made.originals), note=medium.file)
        report(now)
        source = originals.where(store, medium)
        target = data / made.found.originals[medium.sha256][0]
        try:
            _hold(source, medium.sha256)
            if options.keep_metadata:
                shutil.copyfile(source, target)
                done[medium.sha256] = How.AS_IT_WAS
                continue
            done[medium.sha256] = stripping.clean(
                source,
                target,
                medium.kind,
                medium.format,
                partial(report, now),
                sound="spoken" not in made.found.fields,
            )
        except NotCleanable as reason:
            target.unlink(missing_ok=True)
            done[medium.sha256] = reason
    return done


def _hold(path: Path, sha256: str) -> None:
    """Raises NotCleanable where the file at `path` is not the one of that checksum."""
    try:
        found = fingerprint.take(os.fspath(path)).sha256
    except fingerprint.Unreadable as unreadable:
        raise NotCleanable(cleaning.UNREAD if path.is_file() else cleaning.GONE) from unreadable
    if found != sha256:
        raise NotCleanable(cleaning.ANOTHER)


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
