"""What a hand-over record would hold, how large it would be and what is missing: composed, and nothing written."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from lastlook import originals
from lastlook.catalogue import media
from lastlook.catalogue.media import Medium
from lastlook.errors import UsageError
from lastlook.gathering import Scope, material, subassembly_titles
from lastlook.handover import cleaning, fonts, printed, stripping
from lastlook.handover.cleaning import How, NotCleanable
from lastlook.handover.compose import compose
from lastlook.handover.content import Content
from lastlook.handover.material import Audience, Material
from lastlook.handover.words import N_, Words, words_of
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
_NAME_BYTES = 200  # of an original's own name: systems hold 255, and its checksum stands before it
_AT_ONCE = 5000  # copies added up between two words on how far it is
_NAMED = 24  # letters without a font that the record names one by one
SIGNED = N_(
    "This record is signed. To tell that nothing was changed: ask its maker, by another way than with the record, for "
    "the public key, and write it into a file allowed_signers as one line, the word builder before it. Open a command "
    "line (on Windows: cmd) in the folder of this record, where tagmanifest-sha512.txt lies, and run: ssh-keygen -Y "
    "verify -f allowed_signers -I builder -n lastlook-record -s tagmanifest-sha512.txt.sig < tagmanifest-sha512.txt — "
    'it must answer: Good "lastlook-record" signature. Then let any program that knows BagIt check the folder, or run '
    "sha512sum --quiet -c tagmanifest-sha512.txt manifest-sha512.txt (on macOS: shasum -a 512), which must say nothing."
)
_IN_METADATA = frozenset({"people", "cameras", "captions", "file-names"})  # fields that a file may hold itself


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
class Composed:
    """All that a record is written from; `letters` are those of its print, None where there is none."""

    found: Material
    content: Content
    originals: tuple[Medium, ...]
    left_out: tuple[str, ...]
    letters: fonts.Letters | None


def preview(store: Store, options: Options, *, report: Report = silent) -> Preview:
    """What a record would hold, how large it would be and what is missing. Writes nothing."""
    made = composed(store, options, report=report)
    content, letters = made.content, made.letters
    shown = [made.found.pictures[id] for id in content.pictures]
    stills = sum(picture.kind is PictureKind.STILL for picture in shown)
    size = _FIXED_BYTES
    for number, picture in enumerate(shown):
        if number % _AT_ONCE == 0:
            report(Progress(Stage.WEIGH, number, len(shown)))
        size += _PAGE_BYTES + _copies_bytes(store, picture, options)
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
    captions, names = "captions" not in found.fields, "file-names" not in found.fields
    for id in content.pictures:
        picture = found.pictures[id]
        yield from (picture.caption if captions else "", picture.file if names else "")
    for chapter in content.chapters:
        yield from printed.chapter_texts(chapter)


def composed(
    store: Store,
    options: Options,
    done: Mapping[str, How | NotCleanable] | None = None,
    *,
    report: Report = silent,
) -> Composed:
    """`done`: what became of each original by its checksum, once they are written; before, what can be foreseen."""
    options.check()
    words = words_of(options.language, store.zone)
    found = replace(
        material(store, options.scope, options.audience, report=report), scope=_scope_words(store, options, words)
    )
    content = compose(found, words)
    letters = fonts.look(_texts(found, content)) if options.print_ else None
    going: list[Medium] = []
    left_out: dict[str, str] = {}
    names: dict[str, tuple[str, str]] = {}
    if options.originals:
        hidden = "file-names" in found.fields
        for sha256 in dict.fromkeys(found.pictures[id].sha256 for id in content.pictures):
            medium = media.get(store.catalogue, sha256)
            if medium is None:
                continue
            became = (done or {}).get(sha256)
            reason = str(became) if isinstance(became, NotCleanable) else _cannot_go(store, found, medium, options)
            if reason:
                left_out[sha256[:12] if hidden else medium.file] = reason
            else:
                going.append(medium)
                name = f"originals/{sha256[:12]}{_name(medium, hidden=hidden)}"
                names[sha256] = (name, words(became.value) if isinstance(became, How) else "")
    found = replace(found, originals=names)
    unsaid = [
        words(N_("Original not in this record: {file}: {reason}."), file=file, reason=words(reason))
        for file, reason in left_out.items()
    ]
    signed = [words(SIGNED)] if options.key is not None else []
    content = compose(found, words, limits=[*_limits(letters, words), *unsaid, *signed])
    told = tuple(f"{file}: {reason}" for file, reason in left_out.items())
    return Composed(found, content, tuple(going), told, letters)


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
    """The end of an original's name in the record: names that any system can hold (255 bytes, no dot at the end)."""
    if hidden:  # of the name only what tells the kind of file: behind some other dot may stand anything
        ending = Path(medium.file).suffix.lower()
        return ending if re.fullmatch(r"\.[a-z0-9]{2,5}", ending) else ""
    plain = "".join(letter if letter.isalnum() or letter in "._-" else "_" for letter in medium.file)[-80:]
    return "-" + plain.encode()[-_NAME_BYTES:].decode(errors="ignore").rstrip(".")


def _cannot_go(store: Store, found: Material, medium: Medium, options: Options) -> str:
    if medium.sha256 in found.kept:
        return N_("a picture of it is private")
    if medium.sha256 in found.wider:
        return N_("parts of it lie outside of what this record is about")
    if options.keep_metadata and found.fields & _IN_METADATA:
        return N_("its metadata may hold what is private")
    if options.keep_metadata and medium.kind == "clip" and "spoken" in found.fields:
        return N_("what is spoken in it is private")
    path = originals.where(store, medium)
    if not path.is_file():
        return cleaning.GONE
    if path.stat().st_size != medium.size_bytes:
        return cleaning.ANOTHER
    if not options.keep_metadata and not stripping.can(medium.kind, medium.format, medium.file):
        return cleaning.NO_KIND
    return ""


def _scope_words(store: Store, options: Options, words: Words) -> str:
    parts = subassembly_titles(store, options.scope.subassemblies)
    if options.scope.since:
        parts.append(words(N_("since {date}"), date=words.date(options.scope.since)))
    if options.scope.until:
        parts.append(words(N_("until {date}"), date=words.date(options.scope.until)))
    return ", ".join(parts)
