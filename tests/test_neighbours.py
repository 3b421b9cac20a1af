"""Clips with nothing but their container's time, held against the files numbered before and after them."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from lastlook import archive, times
from lastlook.archive import Archive
from lastlook.catalogue import Catalogue, dump, media, pictures
from lastlook.cli.main import root
from lastlook.ingest import ingest
from lastlook.intake.names import counted
from lastlook.rebuild import rebuild
from lastlook.records import CaptureTime, Claim
from lastlook.store import Store
from lastlook.times import Beside, resolve
from tests import clipmedia
from tests.media import bench_picture, exif_block, write_photo
from tests.times_helpers import BERLIN, covers, exif, span, utc

LONG = timedelta(seconds=90)


def beside(first: str, last: str, offset: str | None = None, zone: str = BERLIN) -> Beside:
    """Two photos numbered before and after, by what their camera's display showed."""
    others = []
    for number, shown in ((411, first), (413, last)):
        claims = [exif(shown.replace("-", ":").replace("T", " "), None, offset)]
        one = times.neighbour(f"IMG_0{number}.JPG", resolve(claims, [], zone), claims)
        assert one is not None
        others.append((number, one))
    found = times.bounding(412, others)
    assert found is not None
    return found


def clip(container: str, by: Beside | None, zone: str = BERLIN, long: timedelta | None = LONG) -> CaptureTime:
    length = None if long is None else long // timedelta(milliseconds=1)
    return resolve([times.container_claim(container)], [], zone, duration_ms=length, beside=by)


def test_only_utc_lies_between() -> None:
    time = clip("2026-07-12T09:41:07Z", beside("2026-07-12T11:30:00", "2026-07-12T11:50:00"))
    assert (time.instant, time.basis) == (utc("2026-07-12T09:41:07"), "container+neighbours")
    assert span(time) == (utc("2026-07-12T09:39:37"), utc("2026-07-12T09:42:37.999"))
    assert "is UTC, since only so it lies between IMG_0411.JPG and IMG_0413.JPG" in time.why


def test_only_local_time_lies_between_and_the_neighbours_know_their_zone() -> None:
    time = clip("2026-07-12T11:41:07Z", beside("2026-07-12T11:30:00", "2026-07-12T11:50:00", "+02:00"))
    assert (time.instant, time.basis) == (utc("2026-07-12T09:41:07"), "container+neighbours")
    assert span(time) == (utc("2026-07-12T09:39:37"), utc("2026-07-12T09:42:37.999"))
    assert "is local time" in time.why


def test_a_camera_in_another_zone_wrote_its_own_local_time() -> None:
    time = clip("2026-07-12T11:41:07Z", beside("2026-07-12T11:30:00", "2026-07-12T11:50:00", "+05:30"))
    assert time.instant == utc("2026-07-12T06:11:07")
    assert span(time) == (utc("2026-07-12T06:09:37"), utc("2026-07-12T06:12:37.999"))  # the clip's length either way
    assert "is local time at +05:30" in time.why


def test_neighbours_whose_zone_is_assumed_cannot_rule_out_utc() -> None:
    """The camera may have been kept at UTC, and its pictures be an hour or two off with the clip."""
    time = clip("2026-07-12T11:41:07Z", beside("2026-07-12T11:30:00", "2026-07-12T11:50:00"))
    assert (time.instant, time.basis) == (utc("2026-07-12T09:41:07"), "container+neighbours")
    assert covers(time, "2026-07-12T09:39:37", "2026-07-12T11:41:07")
    assert "is taken as local time" in time.why
    assert "covers UTC, too" in time.why


def test_start_and_end_are_told_apart_only_where_nothing_else_is_left() -> None:
    close = beside("2026-07-12T11:41:00", "2026-07-12T11:41:20", "+02:00")
    start = clip("2026-07-12T09:41:07Z", close)
    assert start.instant == utc("2026-07-12T09:41:07")
    assert not covers(start, "2026-07-12T09:40:00")
    assert "is the start of the recording in UTC" in start.why
    end = clip("2026-07-12T11:42:37Z", close)
    assert end.instant == utc("2026-07-12T09:41:07")
    assert not covers(end, "2026-07-12T09:42:00")
    assert "is the end of the recording in local time" in end.why


def test_neighbours_too_far_apart_say_nothing_and_those_that_fit_nothing_are_told() -> None:
    alone = clip("2026-07-12T09:41:07Z", None)
    assert clip("2026-07-12T09:41:07Z", beside("2026-07-12T08:00:00", "2026-07-12T15:00:00")) == alone
    off = clip("2026-07-12T09:41:07Z", beside("2026-07-13T08:00:00", "2026-07-13T15:00:00"))
    assert (span(off), off.basis) == (span(alone), "container")
    assert "lies by no reading between the files numbered before and after it" in off.why


def test_where_local_time_is_utc_only_start_and_end_are_in_question() -> None:
    by = beside("2026-07-12T09:00:00", "2026-07-12T10:00:00", zone="UTC")
    assert clip("2026-07-12T09:41:07Z", by, "UTC") == clip("2026-07-12T09:41:07Z", None, "UTC")


@pytest.mark.parametrize(
    "claim",
    [times.container_claim("2026-07-12T09:41:07Z"), times.file_system_claim(1_774_613_370_000_000_000)],
)
def test_what_has_no_time_of_its_own_is_no_neighbour(claim: Claim) -> None:
    assert times.neighbour("IMG_0411.MP4", resolve([claim], [], BERLIN, duration_ms=9000), [claim]) is None


def test_neighbours_that_contradict_each_other_bound_nothing() -> None:
    claims = [[exif(f"2026:07:12 1{hour}:00:00")] for hour in (3, 1)]
    found = [times.neighbour("x", resolve(each, [], BERLIN), each) for each in claims]
    assert times.bounding(412, [(411 + 2 * n, one) for n, one in enumerate(found) if one is not None]) is None


def test_a_counter_is_told_from_a_time() -> None:
    assert counted("IMG_0412.JPG") == counted("img_0412 (1).mp4") == ("IMG_####", 412)
    assert counted("IMG_20260312_104107.jpg") is None
    assert counted("IMG-20260312-WA0004.jpg") is None
    assert counted("lantern.jpg") is None


OFFSETS = (-420, 0, 60, 120, 330, 540)


@settings(max_examples=150)
@given(
    start=st.one_of(
        st.datetimes(datetime(2026, 1, 2), datetime(2026, 12, 20)),  # noqa: DTZ001
        st.datetimes(datetime(2026, 10, 24, 22), datetime(2026, 10, 25, 4)),  # noqa: DTZ001 - the clocks go back
        st.datetimes(datetime(2026, 3, 28, 22), datetime(2026, 3, 29, 4)),  # noqa: DTZ001 - and forward
    ),
    zone=st.sampled_from(("Europe/Berlin", "America/New_York", "UTC", "Asia/Kolkata")),
    stands=st.sampled_from((None, *OFFSETS)),
    tells=st.tuples(st.booleans(), st.booleans()),
    local=st.booleans(),
    at_end=st.booleans(),
    long=st.integers(0, 7200),
    known=st.booleans(),
    gaps=st.tuples(st.integers(0, 40_000), st.integers(0, 40_000)),
)
def test_the_truth_is_never_left_out(
    start: datetime, zone: str, stands: int | None, tells: tuple[bool, bool], local: bool, at_end: bool, long: int,
    known: bool, gaps: tuple[int, int],
) -> None:  # fmt: skip
    """A camera that stands at the build's zone or at an offset of its own, whose pictures tell that offset or not, and
    which writes one of the four readings: what its neighbours leave holds the truth whenever the readings did."""
    began = start.replace(tzinfo=UTC)
    tz = ZoneInfo(zone)

    def display(moment: datetime) -> tuple[datetime, int]:
        here = moment.astimezone(tz).utcoffset() or timedelta(0)
        offset = here if stands is None else timedelta(minutes=stands)
        return (moment + offset).replace(tzinfo=None), offset // timedelta(minutes=1)

    others = []
    for number, moment, tell in (
        (411, began - timedelta(seconds=gaps[0]), tells[0]),
        (413, began + timedelta(seconds=gaps[1]), tells[1]),
    ):
        shown, offset = display(moment)
        sign = "-" if offset < 0 else "+"
        said = f"{sign}{abs(offset) // 60:02}:{abs(offset) % 60:02}" if tell else None
        claims = [exif(f"{shown:%Y:%m:%d %H:%M:%S}", None, said)]
        one = times.neighbour(f"IMG_0{number}.JPG", resolve(claims, [], zone), claims)
        assert one is not None
        others.append((number, one))
    by = times.bounding(412, others)
    written = began + timedelta(seconds=long) if at_end else began
    figures = display(written)[0] if local else written.replace(tzinfo=None)
    length = timedelta(seconds=long) if known else None
    if at_end and not known and long > 3600:
        return  # longer than what is allowed for
    alone = clip(f"{figures:%Y-%m-%dT%H:%M:%S}Z", None, zone, length)
    held = clip(f"{figures:%Y-%m-%dT%H:%M:%S}Z", by, zone, length)
    assert alone.earliest is not None
    assert alone.latest is not None
    assert held.earliest is not None
    assert held.latest is not None
    if alone.earliest <= began <= alone.latest:
        assert held.earliest <= began <= held.latest, held.why


# ---------------------------------------------------------------------------------- real files, from folder to answer


def film(path: Path, container: str) -> None:
    """A clip whose container says when, and of which camera, and nothing else does."""
    camera = ("com.apple.quicktime.make=Keelson", "com.apple.quicktime.model=K-1")
    tags = [part for tag in (f"creation_time={container}", *camera) for part in ("-metadata", tag)]
    picture = "testsrc2=size=160x120:rate=10:duration=3"
    options = (*clipmedia.H264, *tags, "-movflags", "use_metadata_tags")
    path.parent.mkdir(parents=True, exist_ok=True)
    clipmedia.draw(path, *options, picture=picture)


def shoot(path: Path, shown: str, offset: str | None = "+02:00") -> None:
    write_photo(path, bench_picture(160, 120, len(shown)), exif=exif_block(original=shown, offset=offset))


def take(made: Archive, folder: Path) -> None:
    with Store(made) as store, ThreadPoolExecutor(1) as executor:
        ingest(store, [folder], executor=executor)


def starts(made: Archive) -> dict[str, tuple[str, datetime | None, str]]:
    """By clip: basis and start by its first still, and the still's id."""
    found: dict[str, tuple[str, datetime | None, str]] = {}
    with Store(made) as store:
        for one in media.every(store.catalogue, "clip"):
            first = pictures.of_medium(store.catalogue, one.sha256)[0]
            assert first.time.instant is not None
            began = first.time.instant - timedelta(milliseconds=first.clip_ms or 0)
            found[one.file] = (first.time.basis, began, first.id)
    return found


def test_clips_are_held_against_their_neighbours_from_folder_to_answer(tmp_path: Path) -> None:
    bench = tmp_path / "bench"
    film(bench / "K1000102.MP4", "2026-07-12T11:41:07Z")  # local time, as if it were UTC
    film(bench / "K1000104.MP4", "2026-07-12T10:10:00Z")  # UTC
    film(bench / "elsewhere" / "K1000106.MP4", "2026-07-12T11:41:08Z")  # nothing beside it
    made = archive.create(tmp_path / "build", name="LV-40", zone="Europe/Copenhagen")
    Store(made, create=True).close()
    take(made, bench)
    assert {one[0] for one in starts(made).values()} == {"container"}
    shoot(bench / "K1000101.JPG", "2026:07:12 11:30:00")
    shoot(bench / "K1000103.JPG", "2026:07:12 11:50:00")
    shoot(bench / "K1000105.JPG", "2026:07:12 12:20:30")
    take(made, bench)  # what comes in later tells of what was there
    found = starts(made)
    assert found["K1000102.MP4"][:2] == ("container+neighbours", utc("2026-07-12T09:41:07"))
    assert found["K1000104.MP4"][:2] == ("container+neighbours", utc("2026-07-12T10:10:00"))
    assert found["K1000106.MP4"][:2] == ("container", utc("2026-07-12T11:41:08"))
    said = CliRunner().invoke(root, ["show", found["K1000102.MP4"][2], "--archive", str(made.root)])
    assert "is local time, since only so it lies between K1000101.JPG and K1000103.JPG" in " ".join(said.output.split())
    told = CliRunner().invoke(root, ["clock", "show", "--json", "--archive", str(made.root)])
    noticed = [one for camera in json.loads(told.output)["cameras"] for one in camera["noticed"]]
    assert [(one["what"], one["clips"]) for one in noticed] == [("the container's time is local time", 1)]
    with Catalogue(made.catalogue) as catalogue:
        before = dump.dump(catalogue)
    with ThreadPoolExecutor(1) as executor:
        rebuild(made, executor=executor)
    with Catalogue(made.catalogue) as catalogue:
        assert dump.dump(catalogue) == before
