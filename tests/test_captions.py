"""Caption sidecars, checked against the published grammar and against two libraries that read the same files."""

from __future__ import annotations

import time
from datetime import timedelta
from io import StringIO
from pathlib import Path

import pytest
import srt
import webvtt
from hypothesis import given, settings
from hypothesis import strategies as st

from lastlook.intake.captions import (
    MAX_WARNINGS,
    Captions,
    decode,
    parse_captions,
    plain_words,
    read_captions,
    sidecars,
)
from lastlook.intake.cue_timing import timestamp_ms, vtt_timestamp_ms
from lastlook.intake.spoken_words import (
    LEAD_MS,
    cues_of_stills,
    stretches,
)
from lastlook.records import Cue, Problem


def parsed(text: str | bytes, name: str = "bench.srt") -> Captions:
    result = parse_captions(text.encode() if isinstance(text, str) else text, name)
    assert isinstance(result, Captions), result
    return result


def refused(text: str | bytes, name: str = "bench.srt") -> Problem:
    result = parse_captions(text.encode() if isinstance(text, str) else text, name)
    assert isinstance(result, Problem), result
    return result


# ---------------------------------------------------------------------------------------------------- times


@pytest.mark.parametrize(
    ("text", "ms"),
    [
        # W3C WebVTT, Candidate Recommendation of April 2019, §4.1 "WebVTT timestamp": hours of two digits or more,
        # left out where zero; minutes and seconds 00 to 59; full stop; three digits.
        ("00:00:00.000", 0),
        ("01:02.003", 62_003),
        ("01:02:03.004", 3_723_004),
        ("100:00:00.000", 360_000_000),
        ("1:02.003", None),
        ("60:00.000", None),
        ("00:01,000", None),
        ("00:00:60.000", None),
        ("00:00:01.00", None),
    ],
)
def test_a_webvtt_timestamp_is_what_the_grammar_says(text: str, ms: int | None) -> None:
    assert vtt_timestamp_ms(text) == ms


@pytest.mark.parametrize(
    ("text", "ms"),
    [
        # SubRip has no standard; common practice, no source.
        ("00:02:17,440", 137_440),
        ("00:02:20,375", 140_375),
        ("00:02:20.375", 140_375),
        ("02:20,375", 140_375),
        ("0:0:13", 13_000),
        ("00:00:01,5", 1_500),
        ("00:00:01,123456", 1_123),
        ("00:00:01:500", 1_500),
        ("-00:00:01,000", -1_000),
        ("00:61:00,000", None),
        ("00:00:61,000", None),
        ("00:00", 0),
        ("7", None),
        ("", None),
        ("٠٠:٠٠:٠١,٠٠٠", None),
    ],
)
def test_other_timestamps_are_read_liberally(text: str, ms: int | None) -> None:
    assert timestamp_ms(text) == ms


# ---------------------------------------------------------------------------------------------------- the grammars

SRT = """1
00:02:17,440 --> 00:02:20,375
The white one, W03,
goes down here.

2
00:02:20,476 --> 00:02:22,501
<i>Then</i> the grey one.
"""

VTT = """WEBVTT - bench, 12 March

STYLE
::cue { color: white }

REGION
id:low
width:40%

NOTE
The narration of the mast foot.
Two lines of it.

loom
00:01.000 --> 00:04.000 position:10% line:90% align:left
<v Anna>Here is the <c.loud>loom</c> &amp; <00:02.000>its clip.</v>

00:00:05.500 --> 00:00:07.000
5 &lt; 6, and the deck&nbsp;beam

NOTE last one

123:00:08.000 --> 123:00:09.000
- one
- two
"""


def test_subrip_of_the_common_form() -> None:
    captions = parsed(SRT)
    assert captions.grammar == "srt"
    assert captions.warnings == ()
    assert captions.cues == (
        Cue(137_440, 140_375, "The white one, W03, goes down here."),
        Cue(140_476, 142_501, "Then the grey one."),
    )


def test_webvtt_with_everything_the_grammar_has() -> None:
    captions = parsed(VTT, "bench.vtt")
    assert captions.grammar == "vtt"
    assert captions.warnings == ()
    assert captions.cues == (
        Cue(1_000, 4_000, "Here is the loom & its clip."),
        Cue(5_500, 7_000, "5 < 6, and the deck beam"),
        Cue(442_808_000, 442_809_000, "- one - two"),
    )


def test_sbv() -> None:
    captions = parsed(
        "0:00:01.000,0:00:02.500\nThe loom[br]comes through\n\n0:00:02.500,0:01:00.000\nbulkhead 11\n", "bench.sbv"
    )
    assert captions.grammar == "sbv"
    assert captions.cues == (Cue(1_000, 2_500, "The loom comes through"), Cue(2_500, 60_000, "bulkhead 11"))
    framed = "[SUBTITLE]\n\n00:00:00.000,00:00:02.680\nthe mast\n\n[END SUBTITLE]"
    assert [cue.text for cue in parsed(framed, "x.sbv").cues] == ["the mast"]


def test_the_same_cues_as_webvtt_py_reads() -> None:
    """Reference: webvtt-py on PyPI. Times to the millisecond; its text has the tags out and entities as they are."""
    theirs = webvtt.from_buffer(StringIO(VTT)).captions
    ours = parsed(VTT, "bench.vtt").cues
    assert [(cue.start_ms, cue.end_ms) for cue in ours] == [
        (caption.start_time.in_milliseconds(), caption.end_time.in_milliseconds()) for caption in theirs
    ]
    assert [cue.text for cue in ours] == [plain_words(caption.text.replace("\n", " ")) for caption in theirs]


def test_the_same_cues_as_srt_reads() -> None:
    """Reference: srt on PyPI."""
    theirs = list(srt.parse(SRT))
    assert [(cue.start_ms, cue.end_ms, cue.text) for cue in parsed(SRT).cues] == [
        (
            round(one.start / timedelta(milliseconds=1)),
            round(one.end / timedelta(milliseconds=1)),
            plain_words(one.content),
        )
        for one in theirs
    ]


@pytest.mark.parametrize(
    "text",
    [
        SRT.replace("\n", "\r\n"),
        SRT.replace("\n", "\r"),
        SRT.replace(",440", ".440").replace(",375", ".375"),
        SRT.replace("1\n00", "00").replace("2\n00", "00"),
        SRT.replace("00:02:", "02:"),
        SRT.replace(" --> ", "-->"),
        SRT.replace(" --> ", " -> "),
        SRT.replace("goes down here.\n\n2", "goes down here.\n2"),
        SRT.replace("W03,\n", "W03,\n\n"),
        SRT.replace("\n\n", "\n \t\n"),
        SRT.replace("The white", "{\\an8}<font color='white'>The</font> white"),
        SRT.replace("375\n", "375 X1:40 X2:600 Y1:20 Y2:50\n"),
        "\n\n" + SRT.rstrip(),
    ],
    ids=[
        "crlf",
        "cr",
        "period",
        "no-index",
        "no-hours",
        "tight-arrow",
        "short-arrow",
        "no-blank-line",
        "blank-line-in-text",
        "line-of-spaces",
        "tags",
        "coordinates",
        "blank-start",
    ],
)
def test_subrip_of_every_sloppy_form_reads_the_same(text: str) -> None:
    assert parsed(text).cues == parsed(SRT).cues


ACCENTS = "1\n00:00:01,000 --> 00:00:02,000\nDer Mastfuß – très près\n"


@pytest.mark.parametrize("codec", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
def test_every_encoding_met_on_benches(codec: str) -> None:
    captions = parsed(ACCENTS.encode(codec))
    assert captions.cues == (Cue(1_000, 2_000, "Der Mastfuß – très près"),)
    assert bool(captions.warnings) == (codec == "cp1252")


def test_utf_16_be_with_its_mark() -> None:
    assert parsed(b"\xfe\xff" + ACCENTS.encode("utf-16-be")).cues[0].text == "Der Mastfuß – très près"


def test_a_few_broken_bytes_do_not_turn_utf_8_into_latin_1() -> None:
    text, warnings = decode(ACCENTS.encode() + b"\xff")
    assert "Mastfuß" in text
    assert warnings == ("1 damaged character in it",)


# ------------------------------------------------------------------------------------- what cannot be right is told


def test_absurd_times_are_left_out_and_named_by_line() -> None:
    captions = parsed(
        "1\n00:00:01,000 --> 00:00:02,000\nkept\n\n"
        "2\n-00:00:03,000 --> 00:00:04,000\nnegative\n\n"
        "3\n00:00:09,000 --> 00:00:08,000\nbackwards\n\n"
        "4\n99999:00:00,000 --> 99999:00:01,000\nbeyond\n\n"
        "5\n00:00:61,000 --> 00:00:62,000\nno such second\n\n"
        "6\n           --> 00:00:12,000\nhalf a time\n\n"
        "7\nno time at all\n\n"
        "8\n00:00:13,000 --> 00:00:14,000\nkept too\n"
    )
    assert [cue.text for cue in captions.cues] == ["kept", "kept too"]
    assert [line.split(":")[0] for line in captions.warnings] == [
        "line 6",
        "line 10",
        "line 14",
        "line 18",
        "line 22",
        "line 25",
    ]
    assert "before the start" in captions.warnings[0]
    assert "ends before it starts" in captions.warnings[1]


def test_an_arrow_in_a_sentence_is_a_sentence() -> None:
    captions = parsed("1\n00:00:01,000 --> 00:00:02,000\nfrom TB.3 --> lantern\nand on\n")
    assert captions.cues[0].text == "from TB.3 --> lantern and on"
    assert captions.warnings == ()


def test_webvtt_that_can_only_mean_one_thing_is_read_and_told() -> None:
    """More liberal than the W3C parser, which drops all three."""
    captions = parsed("WEBVTT\n\n1:02.003 --> 1:03,000\none\n\n00:00:01.00 --> 00:00:02.000\ntwo\n", "x.vtt")
    assert captions.cues == (Cue(1_000, 2_000, "two"), Cue(62_003, 63_000, "one"))
    assert [line.split(":")[0] for line in captions.warnings] == ["line 3", "line 6", "line 6"]


def test_webvtt_without_its_header_is_read_and_told() -> None:
    captions = parsed("00:01.000 --> 00:02.000\nthe mast\n", "x.vtt")
    assert captions.grammar == "vtt"
    assert captions.cues[0].text == "the mast"
    assert captions.warnings == ("line 1: the header WEBVTT is missing",)


def test_captions_of_a_stream_are_told_apart() -> None:
    """Example of RFC 8216 §3.5: the cues count from a stream's clock."""
    captions = parsed(
        "WEBVTT\nX-TIMESTAMP-MAP=LOCAL:00:00:00.000,MPEGTS:900000\n\n00:01.000 --> 00:02.000\nwords\n", "x.vtt"
    )
    assert "stream's clock" in captions.warnings[0]


def test_out_of_order_cues_are_sorted_and_overlaps_kept() -> None:
    captions = parsed(
        "00:00:05,000 --> 00:00:09,000\nlate\n\n00:00:01,000 --> 00:00:06,000\nearly\n\n"
        "00:00:07,000 --> 00:00:08,000\nlast\n"
    )
    assert [cue.text for cue in captions.cues] == ["early", "late", "last"]
    assert captions.warnings == ("line 4: this caption is out of order; all are sorted by their start",)


def test_warnings_stay_few() -> None:
    bad = "00:00:09,000 --> 00:00:08,000\nx\n\n" * 500
    captions = parsed(bad + "00:00:09,000 --> 00:00:10,000\ngood\n")
    assert len(captions.warnings) == MAX_WARNINGS + 1
    assert captions.warnings[-1] == f"and {500 - MAX_WARNINGS} more lines like these"


@pytest.mark.parametrize(
    "data", [b"", b" \r\n\t", b"no times here", b"\xff\xd8\xff\xe0\x00\x10JFIF\x00", b"WEBVTT\n\n"]
)
def test_a_file_without_captions_is_a_problem(data: bytes) -> None:
    problem = refused(data, "bench.vtt")
    assert problem.path == "bench.vtt"
    assert problem.reason
    assert problem.hint


def test_a_problem_of_the_only_cue_is_named() -> None:
    assert "line 1: it ends before it starts" in refused("00:00:09,000 --> 00:00:08,000\nx\n").reason


def test_a_file_that_cannot_be_read_is_a_problem(tmp_path: Path) -> None:
    assert isinstance(read_captions(tmp_path / "missing.srt"), Problem)
    assert isinstance(read_captions(tmp_path), Problem)
    (tmp_path / "bench.srt").write_text(SRT, encoding="utf-8")
    read = read_captions(tmp_path / "bench.srt")
    assert isinstance(read, Captions)
    assert len(read.cues) == 2


# ---------------------------------------------------------------------------------------------------- rolling captions


def test_rolling_captions_say_each_line_once() -> None:
    """The way machine-made captions are written: each line twice, once growing word by word, once standing."""
    rolling = (
        "WEBVTT\nKind: captions\nLanguage: en\n\n"
        "00:00:00.160 --> 00:00:02.389 align:start position:0%\n \nhello<00:00:00.480><c> everyone</c>\n\n"
        "00:00:02.389 --> 00:00:02.399 align:start position:0%\nhello everyone\n \n\n"
        "00:00:02.399 --> 00:00:04.550 align:start position:0%\nhello everyone\nthis<00:00:03.000><c> is</c>\n\n"
        "00:00:04.550 --> 00:00:04.560 align:start position:0%\nthis is\n \n\n"
        "00:00:04.560 --> 00:00:06.000 align:start position:0%\nthis is\nthe mast\n\n"
    )
    assert parsed(rolling, "x.vtt").cues == (
        Cue(160, 2_399, "hello everyone"),
        Cue(2_399, 4_560, "this is"),
        Cue(4_560, 6_000, "the mast"),
    )


def test_a_line_said_again_after_a_pause_stays() -> None:
    text = "00:00:01,000 --> 00:00:02,000\nnot yet\n\n00:00:04,000 --> 00:00:05,000\nnot yet\n"
    assert [cue.start_ms for cue in parsed(text).cues] == [1_000, 4_000]


# ---------------------------------------------------------------------------------------------------- properties

WORDS = st.lists(
    st.text(st.characters(codec="utf-8", categories=("L", "N")), min_size=1, max_size=9), min_size=1, max_size=6
)


@st.composite
def spoken(draw: st.DrawFn) -> list[tuple[int, int, str]]:
    """Cues by ascending start (srt sorts equal ones by their end, we keep the file's order), each with words of its own
    (a repeated line would be a rolling caption)."""
    cues: list[tuple[int, int, str]] = []
    start = -1
    for index in range(draw(st.integers(1, 8))):
        start += draw(st.integers(1, 400_000))
        end = start + draw(st.integers(1, 60_000))
        cues.append((start, end, plain_words(" ".join(["cue", f"n{index}", *draw(WORDS)]))))
    return cues


def as_cues(cues: list[tuple[int, int, str]]) -> tuple[Cue, ...]:
    return tuple(Cue(*cue) for cue in cues)


@given(spoken())
def test_what_srt_writes_is_read_back(cues: list[tuple[int, int, str]]) -> None:
    """Reference writer: srt on PyPI."""
    subtitles = [
        srt.Subtitle(index, timedelta(milliseconds=start), timedelta(milliseconds=end), text)
        for index, (start, end, text) in enumerate(cues, 1)
    ]
    assert parsed(srt.compose(subtitles)).cues == as_cues(cues)


@given(spoken())
def test_what_webvtt_py_writes_is_read_back(cues: list[tuple[int, int, str]]) -> None:
    """Reference writer: webvtt-py on PyPI."""

    def stamp(ms: int) -> str:
        return str(webvtt.models.Timestamp(ms // 3_600_000, ms // 60_000 % 60, ms // 1000 % 60, ms % 1000))

    file = webvtt.WebVTT(captions=[webvtt.Caption(stamp(start), stamp(end), text) for start, end, text in cues])
    captions = parsed(file.content, "x.vtt")
    assert captions.cues == as_cues(cues)
    assert captions.warnings == ()


PIECES = st.sampled_from(
    [
        *(b"WEBVTT", b"NOTE", b"STYLE", b"[br]", b"mast", b"1", b"<v Anna>", b"<", b">", b"{\\an8}", b" "),
        *(b"\n", b"\r\n", b"\r", b"\n\n", b" --> ", b"-->", b"00:00:01.000", b"00:00:02,000", b"-0:1:2"),
        *(b"999999:00:00", b"0:00:01.000,0:00:02.000", b"&amp;", b"&#xD800;", b"&#9999999;"),
        *(b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"\xe9", "ß".encode()),
    ]
)


@settings(max_examples=300)
@given(
    st.one_of(st.binary(max_size=400), st.lists(PIECES, max_size=40).map(b"".join)), st.sampled_from(["vtt", "srt", ""])
)
def test_any_bytes_are_captions_or_a_problem(data: bytes, suffix: str) -> None:
    result = parse_captions(data, f"bench.{suffix}")
    if isinstance(result, Captions):
        assert result.cues
        starts = [cue.start_ms for cue in result.cues]
        assert starts == sorted(starts)
        for cue in result.cues:
            assert 0 <= cue.start_ms <= cue.end_ms
            assert cue.text == " ".join(cue.text.split()) != ""
    else:
        assert result.reason


@pytest.mark.parametrize(
    "data",
    [
        b"".join(b"%d\n00:%02d:%02d,000 --> 99:00:00,000\nW03 goes <i>down</i> %d\n\n" % (n, n // 60 % 60, n % 60, n)
                 for n in range(80_000)),
        b"WEBVTT\n\n00:01.000 --> 00:02.000\n" + b"<a" * 2_500_000,
        b"1\n00:00:01,000 --> 00:00:02,000\n" + b"{\\" * 2_500_000,
        b"00:00:01,000 --> 00:00:02,000\nx\n\n" + b"7\n" * 2_500_000,
        b" " * 5_000_000 + b"-->",
        b"-" * 5_000_000 + b"00:00:01,000 --> 00:00:02,000\nx",
        b"00:00:01,000 --> 00:00:02,000\n" + b"&" * 5_000_000,
        b"00:00:01,000 --> 00:00:02,000\n" + b"\n\nmore words" * 400_000,
        b"0:00:01.000,0:00:02.000\n[" + b"x" * 5_000_000,
    ],
    ids=["cues", "tags", "overrides", "indices", "spaces", "dashes", "entities", "blank-lines", "bracket"],
)  # fmt: skip
def test_five_megabytes_take_linear_time(data: bytes) -> None:
    start = time.process_time()
    parse_captions(data, "bench.srt")
    assert time.process_time() - start < 6.0  # measured 0.1 to 1.2 s; quadratic reading would take hours


# ---------------------------------------------------------------------------------------------------- sidecars


def test_sidecars_of_a_clip() -> None:
    names = [
        "bench.srt",
        "BENCH.VTT",
        "bench.mp4.srt",
        "bench.en.vtt",
        "bench.pt-BR.srt",
        "bench2.srt",
        "bench.txt",
        "b.srt",
    ]
    assert sidecars("bench.mp4", names) == (
        "BENCH.VTT",
        "bench.srt",
        "bench.mp4.srt",
        "bench.en.vtt",
        "bench.pt-BR.srt",
    )
    assert sidecars("a[1].mov", ["a[1].srt", "a1.srt"]) == ("a[1].srt",)


# ---------------------------------------------------------------------------------------------------- words of stills

CUES = st.lists(st.tuples(st.integers(0, 300_000), st.integers(0, 30_000)), max_size=20).map(
    lambda spans: tuple(Cue(start, start + length, f"w{index}") for index, (start, length) in enumerate(sorted(spans)))
)
STILLS = st.lists(st.integers(0, 250_000), min_size=1, max_size=15, unique=True).map(sorted)


def test_a_still_answers_to_the_midpoints_and_ten_seconds_at_most() -> None:
    assert stretches([5_000, 15_000, 60_000]) == ((0, 10_000), (10_000, 25_000), (50_000, 70_000))
    assert stretches([]) == ()


def test_words_before_a_still_belong_to_it() -> None:
    cues = (Cue(0, 2_000, "one"), Cue(9_000, 11_000, "two"), Cue(12_000, 12_000, "three"), Cue(40_000, 41_000, "far"))
    one, two, three, far = cues
    assert cues_of_stills(cues, [12_000]) == (cues,)
    assert cues_of_stills(cues, [12_000, 40_000]) == ((one, two, three), (far,))
    assert cues_of_stills(cues, [12_000, 16_000, 40_000]) == ((one, two, three), (two, three), (far,))
    assert cues_of_stills(cues, [12_000, 20_001, 40_000]) == ((one, two, three), (three,), (far,))
    assert cues_of_stills(cues, []) == ()


@given(CUES, STILLS)
def test_every_cue_is_found_with_a_still(cues: tuple[Cue, ...], stills: list[int]) -> None:
    groups = cues_of_stills(cues, stills)
    assert len(groups) == len(stills)
    assert {cue for group in groups for cue in group} == set(cues)


@given(CUES, STILLS)
def test_a_still_has_the_words_of_its_stretch(cues: tuple[Cue, ...], stills: list[int]) -> None:
    groups = cues_of_stills(cues, stills)
    for (start, end), group in zip(stretches(stills), groups, strict=True):
        heard = [cue for cue in cues if cue.start_ms < end and max(cue.end_ms, cue.start_ms + 1) > start - LEAD_MS]
        assert set(heard) <= set(group)
        assert list(group) == [cue for cue in cues if cue in set(group)], "out of order"


@given(CUES, STILLS)
def test_a_cue_at_a_stills_moment_is_always_its_own(cues: tuple[Cue, ...], stills: list[int]) -> None:
    for moment, group in zip(stills, cues_of_stills(cues, stills), strict=True):
        for cue in cues:
            if cue.start_ms <= moment < cue.end_ms:
                assert cue in group
