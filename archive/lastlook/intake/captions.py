"""Caption sidecars (.vtt, .srt, .sbv) into cues of plain words. Pure but for one read.

Grammars. WebVTT: W3C Candidate Recommendation of April 2019, §4 (syntax) and §6 (parser); what its parser refuses but
can only be meant one way (`1:02.003`, a comma for the full stop) is read with a warning, because a spoken word that is
lost helps nobody. SubRip has no standard: common practice, read liberally (comma or period, no index, no hours, no
milliseconds, blank lines inside the text). SBV: `h:mm:ss.mmm,h:mm:ss.mmm`, text, blank line.

Nothing here raises on bad input: a file without a usable cue is a `Problem`, a bad line a warning with its number.
"""

from __future__ import annotations

import html
import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path, PurePath

from lastlook.intake.cue_timing import HEADER, Grammar, Timing, grammar_of, timing_of
from lastlook.records import Cue, Problem

SUFFIXES = (".vtt", ".srt", ".sbv")
"""Caption files by the end of their name, the best defined grammar first."""

MAX_BYTES = 32 * 1024 * 1024  # a day of dense captions is about 3 MB; beyond this it is no caption file
MAX_MS = 1000 * 3_600_000  # WebVTT knows no upper bound; a thousand hours is a typing error on any bench
MAX_WARNINGS = 20  # a builder reads the first few; the rest are counted

TOUCHING_MS = 250  # rolling captions follow one another without a pause; a longer pause is a line said again


@dataclass(frozen=True, slots=True)
class Captions:
    """What one sidecar says. `cues` are sorted by start, plain text, rolling repetitions taken out."""

    cues: tuple[Cue, ...]
    grammar: Grammar
    warnings: tuple[str, ...] = ()


# ------------------------------------------------------------------------------------------------ finding, reading


def sidecars(clip_name: str, names: Iterable[str]) -> tuple[str, ...]:
    """Those of `names` (files of the clip's folder) that are captions of `clip_name`, the likeliest first.

    `bench.mp4` is captioned by `bench.vtt`, `bench.mp4.vtt`, and by `bench.en.vtt` with a language mark.
    """
    clip = PurePath(clip_name)
    ranked: list[tuple[int, int, str]] = []
    for name in names:
        path = PurePath(name)
        suffix = path.suffix.lower()
        if suffix not in SUFFIXES:
            continue
        stem = path.stem.casefold()
        own, whole = clip.stem.casefold(), clip.name.casefold()
        if stem == own:
            rank = 0
        elif stem == whole:
            rank = 1
        elif any(re.fullmatch(re.escape(start) + r"\.[a-z]{2,3}(-[a-z0-9]{2,8}){0,2}", stem) for start in (own, whole)):
            rank = 2
        else:
            continue
        ranked.append((rank, SUFFIXES.index(suffix), name))
    return tuple(name for _, _, name in sorted(ranked))


def read_captions(path: Path) -> Captions | Problem:
    """Read one caption file. Every failure, of the disk too, is a `Problem`."""
    try:
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except OSError as error:
        reason = f"the caption file cannot be read: {error.strerror or error}"
        return Problem(str(path), reason, "Check that it is there.")
    return parse_captions(data, str(path))


def parse_captions(data: bytes, name: str) -> Captions | Problem:
    """Cues of the caption file `data`; `name` only for its suffix and for the report. Never raises; linear time."""
    if len(data) > MAX_BYTES:
        return Problem(name, "too large to be a caption file (over 32 MB)", "Check that it is the right file.")
    if not data.strip():
        return Problem(name, "the caption file is empty", "Save the captions again.")
    text, warnings = decode(data)
    # Only these end a line in the three grammars; str.splitlines() would also cut at characters inside a sentence.
    lines = re.split(r"\r\n|\n|\r", text)
    grammar, warning = grammar_of(lines, PurePath(name).suffix.lower())
    if grammar is None:
        return Problem(
            name,
            "no captions found in it: not one line with a start and an end time",
            "lastlook reads WebVTT (.vtt), SubRip (.srt) and .sbv. Export the captions again.",
        )
    reader = _Reader(grammar)
    if warning:
        reader.warn(warning)
    for line in warnings:
        reader.warn(line)
    reader.read(lines)
    cues = _plain(reader)
    if not cues:
        said = f" ({reader.warnings[0]})" if reader.warnings else ""
        return Problem(name, f"no usable caption in it{said}", "Open it in a text editor and check its times.")
    return Captions(cues, grammar, reader.all_warnings())


def decode(data: bytes) -> tuple[str, tuple[str, ...]]:
    """Text of a caption file, and warnings. UTF-8 and UTF-16 by their marks, UTF-16 by its zero bytes, UTF-8, cp1252.

    These plain rules read every encoding met on benches that write Latin letters; guessing by statistics over a few
    lines of text would be wrong more often than it helped.
    """
    for mark, codec in ((b"\xef\xbb\xbf", "utf-8"), (b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be")):
        if data.startswith(mark):
            text = data[len(mark) :].decode(codec, "replace")
            return text, _broken(text)
    head = data[:4096]
    even, odd = head[0::2].count(0), head[1::2].count(0)
    # Times and Latin letters have a zero high byte in UTF-16; a file of text in bytes has none at all.
    if max(even, odd) > len(head) // 6 and min(even, odd) * 8 < max(even, odd):
        text = data.decode("utf-16-le" if odd > even else "utf-16-be", "replace")
        return text, _broken(text)
    try:
        return data.decode("utf-8"), ()
    except UnicodeDecodeError:
        pass
    text = data.decode("utf-8", "replace")
    broken = text.count("\ufffd")
    if sum(1 for sign in text if ord(sign) > 127) - broken > broken:
        return text, _broken(text)  # it is UTF-8 with a few damaged bytes
    # The five bytes cp1252 leaves open become U+FFFD.
    return data.decode("cp1252", "replace"), ("not UTF-8: read as Windows-1252 (Latin-1), check accented letters",)


def _broken(text: str) -> tuple[str, ...]:
    count = text.count("\ufffd")
    return (f"{count} damaged character{'s' if count > 1 else ''} in it",) if count else ()


# ------------------------------------------------------------------------------------------------ blocks


@dataclass(slots=True)
class _Raw:
    """A cue as it stands in the file: its times, and its lines with their tags."""

    start_ms: int
    end_ms: int
    line: int
    lines: list[str] = field(default_factory=list)


class _Reader:
    """Walks the lines of one file once. `cues` in file order; `cue` is the one whose text is being read."""

    def __init__(self, grammar: Grammar) -> None:
        self.grammar: Grammar = grammar
        self.cues: list[_Raw] = []
        self.warnings: list[str] = []
        self._more = 0
        self._last: _Raw | None = None  # where words after a blank line belong (SubRip, SBV)
        self._cue: _Raw | None = None
        self._skipping = False  # inside a cue that was dropped
        self._block: list[str] = []  # lines since the last blank line that are not text of a cue
        self._block_line = 1

    def warn(self, text: str) -> None:
        if len(self.warnings) < MAX_WARNINGS:
            self.warnings.append(text)
        else:
            self._more += 1

    def all_warnings(self) -> tuple[str, ...]:
        more = (f"and {self._more} more lines like these",) if self._more else ()
        return (*self.warnings, *more)

    def read(self, lines: Sequence[str]) -> None:
        for number, line in enumerate(lines, 1):
            # A line of spaces is text in WebVTT (rolling captions use it) and a blank line elsewhere.
            blank = not line if self.grammar == "vtt" else not line.strip()
            if blank:
                self._end_block()
                self._cue, self._skipping = None, False
                continue
            timing = timing_of(line, self.grammar)
            if timing is not None:
                self._start(timing, line, number)
            elif self._cue is not None:
                self._cue.lines.append(line)
            elif not self._skipping:
                if not self._block:
                    self._block_line = number
                self._block.append(line)
        self._end_block()

    def _start(self, timing: Timing, line: str, number: int) -> None:
        indexed = self.grammar == "srt"
        if indexed and self._cue is not None and self._cue.lines and _is_index(self._cue.lines[-1]):
            self._cue.lines.pop()  # the blank line before the next index is missing
        if self._block and (self.grammar == "vtt" or (indexed and _is_index(self._block[-1]))):
            self._block.pop()  # the cue's identifier
        self._end_block()
        self._cue, self._skipping = None, True
        fault = self._fault(timing)
        if fault or timing.start_ms is None:
            self._last = None
            self.warn(f"line {number}: {fault}, its words are left out: {_short(line)}")
            return
        if self.grammar == "vtt" and not timing.exact:
            self.warn(f"line {number}: the times are not written as WebVTT asks, read all the same: {_short(line)}")
        self._cue = self._last = _Raw(timing.start_ms, timing.end_ms, number)
        self.cues.append(self._cue)

    def _fault(self, timing: Timing) -> str:
        if timing.start_ms is None:
            return "the times cannot be read"
        if timing.start_ms < 0 or timing.end_ms < 0:
            return "a time before the start of the clip"
        if timing.end_ms < timing.start_ms:
            return "it ends before it starts"
        if timing.end_ms > MAX_MS:
            return "a time beyond a thousand hours"
        return ""

    def _end_block(self) -> None:
        """Decide what the lines met since the last blank line were, if they were no text of a cue."""
        block, self._block = self._block, []
        if not block:
            return
        first = block[0]
        if self.grammar == "vtt":
            if HEADER.match(first):
                # RFC 8216 §3.5: the first cue need not be at the start of the clip.
                if any(line.startswith("X-TIMESTAMP-MAP") for line in block):
                    self.warn("the captions count from a stream's clock: their times may not fit the clip")
            elif not re.match(r"(?:NOTE|STYLE|REGION)(?:\s|$)", first):
                self.warn(f"line {self._block_line}: words without times are left out: {_short(first)}")
        elif self.grammar == "sbv" and re.fullmatch(r"\[[^\[\]]{1,80}\].{0,200}", first.strip()):
            return  # [INFORMATION], [SUBTITLE], [END SUBTITLE]
        elif self.grammar == "srt" and _is_index(first):
            if len(block) > 1:
                self.warn(f"line {self._block_line}: a caption without times is left out: {_short(block[1])}")
        elif self._last is not None:
            self._last.lines.extend(block)  # a blank line stood inside the text
        else:
            self.warn(f"line {self._block_line}: words without times are left out: {_short(first)}")


def _is_index(line: str) -> bool:
    return re.fullmatch(r"-?[0-9]{1,9}(?:\.[0-9]{0,9})?", line.strip()[:24]) is not None


def _short(line: str) -> str:
    shown = " ".join(line[:200].split())
    return shown if len(shown) <= 60 else shown[:59] + "…"


# ------------------------------------------------------------------------------------------------ plain words

# `<` opens a tag only before a letter, a slash, a digit (a time inside the text) or a full stop: "5 < 6" is words.
_TAG = re.compile(r"<[/A-Za-z0-9.][^<>]*>")
_OVERRIDE = re.compile(r"\{\\[^{}]*\}")  # {\an8}
_BREAK = re.compile(r"\\[Nh]|\[br\]", re.IGNORECASE)
_ENTITY = re.compile(r"&(?:#[0-9]{1,7}|#[xX][0-9A-Fa-f]{1,6}|[A-Za-z][A-Za-z0-9]{1,31});")
# Marks of direction, soft hyphens, zero-width spaces and byte order marks are invisible but would split words.
_INVISIBLE = dict.fromkeys(
    [0xAD, 0x200B, 0x200E, 0x200F, 0x2060, 0xFEFF, *range(0x202A, 0x202F), *range(0x2066, 0x206A)]
)
_CONTROL = dict.fromkeys((*range(0x20), *range(0x7F, 0xA0), 0xFFFD), " ")


def plain_words(line: str) -> str:
    """One caption line as words: tags, overrides and entities resolved, NFC, single spaces."""
    if "{" in line:
        line = _OVERRIDE.sub(" ", line)
    if "\\" in line or "[" in line:
        line = _BREAK.sub(" ", line)
    if "<" in line:
        line = _TAG.sub("", line)
    if "&" in line:
        line = _ENTITY.sub(lambda match: html.unescape(match.group()), line)
    line = unicodedata.normalize("NFC", line.translate(_INVISIBLE).translate(_CONTROL))
    return " ".join(line.split())


def _plain(reader: _Reader) -> tuple[Cue, ...]:
    """The reader's cues sorted, as plain words, each rolling line once."""
    raws = reader.cues
    for before, after in pairwise(raws):
        if after.start_ms < before.start_ms:
            reader.warn(f"line {after.line}: this caption is out of order; all are sorted by their start")
            break
    kept: list[Cue] = []
    shown: list[str] = []  # the lines that stood on the picture last, repeated ones too
    shown_until = -1
    for raw in sorted(raws, key=lambda raw: raw.start_ms):
        lines = [words for words in map(plain_words, raw.lines) if words]
        if not lines:
            continue
        fresh = lines
        if kept and raw.start_ms <= shown_until + TOUCHING_MS:
            # Auto-captions roll: the last lines of one cue stand again as the first of the next.
            for count in range(min(len(shown), len(lines), 4), 0, -1):
                if shown[-count:] == lines[:count]:
                    fresh = lines[count:]
                    break
        if fresh:
            kept.append(Cue(raw.start_ms, raw.end_ms, " ".join(fresh)))
        else:
            last = kept[-1]
            kept[-1] = Cue(last.start_ms, max(last.end_ms, raw.end_ms), last.text)
        shown, shown_until = lines, raw.end_ms
    return tuple(kept)
