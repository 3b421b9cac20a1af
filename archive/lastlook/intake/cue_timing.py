"""The lines of a caption file that say when: timestamps in milliseconds, timing lines, and which grammar it follows.

Sources of the grammars as in `captions`. Pure; what cannot be read is None, never an error.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

Grammar = Literal["srt", "vtt", "sbv"]

_CLOCK = r"(-?)(?:([0-9]{1,6}):)?([0-9]{1,2}):([0-9]{1,2})(?:[.,]([0-9]{1,9})|:([0-9]{3}))?"
_TIME = re.compile(_CLOCK)
_STRICT_VTT = re.compile(r"(?:([0-9]{2,6}):)?([0-5][0-9]):([0-5][0-9])\.([0-9]{3})")
_SBV_LINE = re.compile(rf"\s{{0,40}}({_CLOCK})\s{{0,9}},\s{{0,9}}({_CLOCK})\s{{0,40}}")
HEADER = re.compile(r"WEBVTT(?:[ \t]|$)")
_ARROW = re.compile(r"-{1,3} ?>")
_LIKE_TIME = re.compile(r"-?[0-9]{1,6}:[0-9]")


def vtt_timestamp_ms(text: str) -> int | None:
    """Milliseconds of a timestamp exactly as WebVTT §4 writes it (`[hh+:]mm:ss.ttt`), else None."""
    match = _STRICT_VTT.fullmatch(text)
    if match is None:
        return None
    hours, minutes, seconds, thousandths = (int(part or 0) for part in match.groups())
    return ((hours * 60 + minutes) * 60 + seconds) * 1000 + thousandths


def timestamp_ms(text: str) -> int | None:
    """Milliseconds of a timestamp in any of the three grammars, read liberally; negative where it has a minus sign.

    Hours and fraction may be missing; a fraction of other than three digits is a decimal fraction (`,5` is 500 ms),
    cut to the millisecond. None where it is no time, or minutes or seconds pass 59.
    """
    match = _TIME.fullmatch(text)
    if match is None:
        return None
    sign, hours, minutes, seconds, fraction, thousandths = match.groups()
    if int(minutes) > 59 or int(seconds) > 59:
        return None
    part = int((fraction or thousandths or "0").ljust(3, "0")[:3])
    total = ((int(hours or 0) * 60 + int(minutes)) * 60 + int(seconds)) * 1000 + part
    return -total if sign else total


@dataclass(frozen=True, slots=True)
class Timing:
    """A line that says when, in milliseconds from the clip's start.

    `start_ms` is None where it was meant as one and cannot be read.
    """

    start_ms: int | None
    end_ms: int
    exact: bool = True  # written as WebVTT asks


def timing_of(line: str, grammar: Grammar) -> Timing | None:
    """The timing line `line` is, or None where it is not one."""
    # Most lines are words: ask for the signs of a time before anything dear.
    if (">" not in line) if grammar != "sbv" else (":" not in line):
        return None
    line = line[:1000].translate(_WIDE)  # the settings of a cue are short; a bound keeps every search below linear
    if grammar == "sbv":
        match = _SBV_LINE.fullmatch(line)
        left, right = (match.group(1), match.group(8)) if match else ("", "")
        if match is None:
            return None
    else:
        arrow = re.search("-->", line) if grammar == "vtt" else _ARROW.search(line)
        if arrow is None:
            return None
        left = line[: arrow.start()].strip()
        after = line[arrow.end() :].strip()
        right = after.split(None, 1)[0] if after else ""
        if not (_LIKE_TIME.match(left) or _LIKE_TIME.match(right)):
            # In WebVTT the arrow may stand nowhere else; in SubRip it is then part of the sentence.
            return Timing(None, 0) if grammar == "vtt" else None
    start, end = timestamp_ms(left), timestamp_ms(right)
    if start is None or end is None:
        return Timing(None, 0)
    exact = vtt_timestamp_ms(left) is not None and vtt_timestamp_ms(right) is not None
    return Timing(start, end, exact)


_WIDE = str.maketrans("：，．。", ":,..")  # full-width signs, as some editors write them


def grammar_of(lines: Sequence[str], suffix: str) -> tuple[Grammar | None, str]:
    """Which grammar the file follows by what stands in it (its suffix only settles a doubt), and a warning or ''."""
    if HEADER.match(next((line for line in lines if line.strip()), "")):
        return "vtt", ""
    for line in lines:
        timing = timing_of(line, "srt")
        if timing is not None:
            if suffix == ".vtt":
                return "vtt", "line 1: the header WEBVTT is missing"
            return "srt", ""
        if _SBV_LINE.fullmatch(line[:1000]):
            return "sbv", ""
    return None, ""
