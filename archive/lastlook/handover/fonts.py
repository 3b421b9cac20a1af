"""Fonts of the print: which are needed for what is written, cut down to the letters that are used.

Letters come from fonts that are installed with the program, as dependencies or in its own `letters/`, so that the same
record gives the same bytes anywhere; a font is read only where the ones before it lack a letter. A letter that none of
them has is looked for among the fonts of the computer (by fontconfig); a record says where that was so, and it names
letters that no font has. All fonts here are free to embed: the packaged ones are under the SIL Open Font License; one
whose maker forbids embedding (OS/2 fsType, OpenType specification) is passed over.
"""

from __future__ import annotations

import subprocess
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from importlib import util
from pathlib import Path
from typing import Any

import uharfbuzz as harfbuzz
from fontTools.unicodedata import script

SANS = "sans"
_PACKAGED = (  # package and file; the first that has a letter gives it
    ("fontpkg_noto_sans", "files/NotoSans[wdth,wght].ttf"),
    ("fontpkg_noto_sans_arabic", "files/NotoSansArabic[wdth,wght].ttf"),
    ("fontpkg_rubik", "files/Rubik[wght].ttf"),  # Hebrew
    ("fontpkg_noto_sans_thai", "files/NotoSansThai[wdth,wght].ttf"),
    ("fontpkg_hind_siliguri", "files/HindSiliguri-Regular.ttf"),  # Bengali
    ("fontpkg_noto_sans_tamil", "files/NotoSansTamil[wdth,wght].ttf"),
    ("fontpkg_noto_sans_telugu", "files/NotoSansTelugu[wdth,wght].ttf"),
    ("fontpkg_noto_sans_khmer", "files/NotoSansKhmer[wdth,wght].ttf"),
    ("noto_cjk_sans_jp_regular", "NotoSansCJKjp-Regular.otf"),  # Chinese, Japanese, Korean; large, so on request
)
_OWN = "letters"  # the folder of faces that are part of the program: see SOURCE.md there
_EAST_ASIAN = ("CJK", "HIRAGANA", "KATAKANA", "HANGUL", "BOPOMOFO")
EAST_ASIAN_HINT = "pip install 'lastlook[cjk]' brings Chinese, Japanese and Korean letters."
OTHER_HINT = "Install a font that has them, as Debian's fonts-noto-core: any that fontconfig lists is used."
INSTEAD = {"→": "–>", "←": "<–", "≤": "<=", "≥": ">=", "✓": "x", "\u00ad": "", "\u200b": ""}
"""Signs of ours that are printed in other letters, and marks of where a word may be broken."""
JOINERS = "\u200c\u200d\u180e"  # without a form of their own, they choose that of their neighbours
# Scripts whose letters stand side by side as they are (Unicode, The Core Specification, chapters 7, 8.6, 18 to 20);
# letters of every other one take forms by their neighbours. Marks and writing from the right are told by the letters.
_SIDE_BY_SIDE = frozenset(
    {
        *("Zyyy", "Zinh", "Zzzz", "Latn", "Grek", "Cyrl", "Armn", "Geor", "Hani", "Hira", "Kana", "Bopo", "Hang"),
        *("Ethi", "Cans", "Cher", "Yiii", "Vaii", "Tfng", "Lisu", "Olck", "Osge", "Bamu", "Plrd"),
    }
)
_LOST = "[?]"
_ALWAYS = frozenset({*range(32, 127), *map(ord, "\u00a0·–—…[?]")})


@dataclass(frozen=True, slots=True)
class Face:
    """A font file. `number`: which font of a collection; `of_machine`: it was found on this computer, under `title`."""

    path: Path
    number: int = 0
    of_machine: bool = False
    title: str = ""


@dataclass(frozen=True, slots=True)
class Letters:
    """The fonts that a text needs, the first for everything common; `missing`: letters that no font has; `shaped`:
    its letters change with their neighbours, join, or run from right to left."""

    faces: tuple[Face, ...]
    known: frozenset[int]
    missing: str
    shaped: bool

    @property
    def of_machine(self) -> tuple[str, ...]:
        """The names of fonts that are this computer's, not the program's."""
        return tuple(face.title for face in self.faces if face.of_machine)

    def printable(self, text: str) -> str:
        """`text` in letters of these fonts; a letter that they lack is printed as a question mark in brackets."""
        made = []
        for letter in text:
            if letter in INSTEAD:
                made.append(INSTEAD[letter])
            elif letter in JOINERS:
                made.append(letter if self.shaped and ord(letter) in self.known else "")
            elif letter.isspace():
                made.append(letter if ord(letter) in self.known else " ")
            elif not _unseen(letter):
                made.append(letter if ord(letter) in self.known else _LOST)
        return "".join(made)


def _unseen(letter: str) -> bool:
    """Controls, what only turns or chooses between other letters, and spaces."""
    return letter.isspace() or unicodedata.category(letter) in {"Cc", "Cf"} or "\ufe00" <= letter <= "\ufe0f"


def plain(text: str) -> str:
    """`text` without controls, for where no font is needed: titles, bookmarks, descriptions of pictures."""
    return "".join(" " if letter.isspace() else letter for letter in text if letter.isspace() or not _unseen(letter))


def look(texts: Iterable[str]) -> Letters:
    """What is needed to print `texts`. The same texts find the same fonts on the same computer."""
    used = set().union(*texts) - set(INSTEAD)
    lacking = {ord(letter) for letter in used if not _unseen(letter)}
    faces = [packaged()[0]]
    lacking -= _coverage(faces[0])
    for face in packaged()[1:]:
        has = lacking & _coverage(face) if lacking else set()
        if has:
            faces.append(face)
            lacking -= has
    while lacking:
        found = _of_machine(min(lacking), frozenset(lacking))
        if found is None:
            lacking.remove(min(lacking))
            continue
        faces.append(found)
        lacking -= _coverage(found)
    known = frozenset().union(*map(_coverage, faces))
    missing = "".join(sorted(letter for letter in used if not _unseen(letter) and ord(letter) not in known))
    return Letters(tuple(faces), known, missing, shaped(used))


def hints(missing: str) -> tuple[str, ...]:
    """What to do about letters that no font has."""
    names = [unicodedata.name(letter, "") for letter in missing]
    eastern = [name.startswith(_EAST_ASIAN) for name in names]
    return tuple(
        hint for hint, wanted in ((EAST_ASIAN_HINT, any(eastern)), (OTHER_HINT, not all(eastern))) if missing and wanted
    )


def shaped(letters: Iterable[str]) -> bool:
    """Does any letter need its neighbours: a script that joins or reorders, marks, writing from the right."""
    return any(
        script(letter) not in _SIDE_BY_SIDE
        or unicodedata.bidirectional(letter) in {"R", "AL"}
        or unicodedata.category(letter) in {"Mn", "Mc"}
        for letter in letters
        if ord(letter) > 127
    )


@cache
def packaged() -> tuple[Face, ...]:
    """The fonts that are installed with the program, and those that were added to it."""
    found = []
    for package, file in _PACKAGED:
        spec = util.find_spec(package)
        places = list(spec.submodule_search_locations or ()) if spec is not None else []
        found += [Face(Path(place) / file) for place in places if (Path(place) / file).is_file()]
    found += [Face(path) for path in sorted((Path(__file__).parent / _OWN).glob("*.ttf"))]
    return tuple(found)


@cache
def _opened(face: Face) -> Any:
    return harfbuzz.Face(harfbuzz.Blob.from_file_path(str(face.path)), face.number)


@cache
def _coverage(face: Face) -> frozenset[int]:
    return frozenset(_opened(face).unicodes)


@cache
def _of_machine(letter: int, lacking: frozenset[int]) -> Face | None:
    """A font of this computer that has `letter`: of the plainest ones, that which has most of what is lacking."""
    command = [
        "fc-list",
        "--format",
        "%{file}\t%{index}\t%{family}\t%{style}\t%{fontversion}\n",
        f":charset={letter:x}",
    ]
    try:
        done = subprocess.run(command, capture_output=True, check=False, timeout=20)
    except (OSError, subprocess.TimeoutExpired):
        return None
    ranked = []
    for line in sorted(set(done.stdout.decode("utf-8", "replace").splitlines())):
        file, number, family, style, version = (line.split("\t") + [""] * 5)[:5]
        index = int(number) if number.isdigit() else 0
        if Path(file).suffix.lower() not in {".ttf", ".otf", ".ttc"} or index > 0xFFFF:  # beyond: named styles of one
            continue
        name = f"{family.split(',')[0]} {int(version) / 65536:.3f}" if version.isdigit() else family.split(",")[0]
        slanted = any(word in style for word in ("Italic", "Oblique", "Bold", "Black", "Condensed", "Light", "Thin"))
        face = Face(Path(file), index, of_machine=True, title=name)
        ranked.append((slanted, "Mono" in family or "Serif" in family, file, face))
    best: tuple[int, Face] | None = None
    for *_, face in sorted(ranked, key=lambda one: one[:3])[:12]:
        count = len(lacking & _coverage(face)) if _may_be_used(face) else 0
        if count and letter in _coverage(face) and (best is None or count > best[0]):
            best = (count, face)
    return best[1] if best else None


@cache
def _may_be_used(face: Face) -> bool:
    """It has outlines, and its maker does not forbid to embed it."""
    try:
        opened = _opened(face)
        tables = set(opened.table_tags)
        about = bytes(opened.reference_table("OS/2").data) if "OS/2" in tables else b""
    except (OSError, harfbuzz.HarfBuzzError):
        return False
    forbidden = len(about) >= 10 and int.from_bytes(about[8:10], "big") & 0x0002
    return bool({"glyf", "CFF "} & tables) and "cmap" in tables and not forbidden


def _parts(used: Iterable[str]) -> Iterator[str]:
    """The letters, and those that HarfBuzz sets in their place: what they are made of (UAX #15; for Thai and Lao am its
    compatible form), and the vowel before the letter that five vowels of Khmer begin with (HarfBuzz, as its source
    has it; recalled from memory)."""
    for letter in used:
        yield letter
        yield from unicodedata.normalize("NFKD" if letter in "\u0e33\u0eb3" else "NFD", letter)
        if letter in "\u17be\u17bf\u17c0\u17c4\u17c5":
            yield "\u17c1"


def cut(face: Face, folder: Path, weight: int, used: Iterable[str], name: str) -> Path:
    """The font in one weight with no letters but those `used`. What gives letters the forms they take beside others is
    kept only where one of them needs it."""
    letters = ({ord(letter) for letter in _parts(used)} | _ALWAYS) & _coverage(face)
    wanted = harfbuzz.SubsetInput()
    wanted.flags = (
        harfbuzz.SubsetFlags.NOTDEF_OUTLINE
        | harfbuzz.SubsetFlags.SET_OVERLAPS_FLAG
        | harfbuzz.SubsetFlags.DOWNGRADE_CFF2
    )
    wanted.unicode_set.update(letters)
    if not shaped(map(chr, letters)):
        wanted.drop_table_tag_set.update(int.from_bytes(tag, "big") for tag in (b"GSUB", b"GPOS", b"GDEF"))
    opened = _opened(face)
    if "fvar" in opened.table_tags:
        wanted.pin_all_axes_to_default(opened)
        wanted.pin_axis_location(opened, "wght", float(weight))
    made = harfbuzz.subset(opened, wanted)
    path = folder / f"{name}-{weight}{'.otf' if 'CFF ' in made.table_tags else '.ttf'}"
    path.write_bytes(made.blob.data)
    return path
