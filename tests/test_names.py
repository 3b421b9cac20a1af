"""What file names say of the time, and which series they belong to."""

from __future__ import annotations

from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastlook.intake.names import name_claim, series
from lastlook.records import ClaimSource

DAY = 86_400_000


@pytest.mark.parametrize(
    ("name", "wall", "offset", "step"),
    [
        # Forms met on cards and phones (common practice, no source).
        ("IMG_20260312_104107.jpg", "2026-03-12T10:41:07", None, 1000),
        ("VID_20260312_104107.mp4", "2026-03-12T10:41:07", None, 1000),
        ("20260312_104107.heic", "2026-03-12T10:41:07", None, 1000),
        ("20260312_104107(0).mp4", "2026-03-12T10:41:07", None, 1000),
        ("IMG20260312104107.jpg", "2026-03-12T10:41:07", None, 1000),
        ("IMG_20260312_104107_1.jpg", "2026-03-12T10:41:07", None, 1000),
        ("IMG_20260312_104107_123.jpg", "2026-03-12T10:41:07", None, 1000),  # a burst's counter as often as not
        ("IMG_20260312_104107130.jpg", "2026-03-12T10:41:07.130", None, 1),
        ("PXL_20260312_094107130.jpg", "2026-03-12T09:41:07.130", 0, 1),  # UTC (from memory, no source)
        ("PXL_20260312_094107130.MP.jpg", "2026-03-12T09:41:07.130", 0, 1),
        ("2026-03-12 10.41.07.jpg", "2026-03-12T10:41:07", None, 1000),
        ("2026-03-12_10-41-07.png", "2026-03-12T10:41:07", None, 1000),
        ("photo_2026-03-12_10-41-07.jpg", "2026-03-12T10:41:07", None, 1000),
        ("Screenshot_20260312-104107.png", "2026-03-12T10:41:07", None, 1000),
        ("Screenshot 2026-03-12 at 10.41.07.png", "2026-03-12T10:41:07", None, 1000),
        ("Screenshot 2026-03-12 at 1.41.07 PM.png", "2026-03-12T13:41:07", None, 1000),
        ("Screenshot 2026-03-12 at 12.41.07\u202fAM.png", "2026-03-12T00:41:07", None, 1000),
        ("WP_20260312_10_41_07_Pro.jpg", "2026-03-12T10:41:07", None, 1000),
        ("20260312T094107Z.mov", "2026-03-12T09:41:07", 0, 1000),
        ("2026-03-12T10.41.07+0100.jpg", "2026-03-12T10:41:07", 60, 1000),
        ("2026-03-12 10.41.jpg", "2026-03-12T10:41:00", None, 60_000),
        ("IMG-20260312-WA0004.jpg", "2026-03-12T00:00:00", None, DAY),
        ("2026-03-12 lantern wiring.jpg", "2026-03-12T00:00:00", None, DAY),
        ("20260312_00012.jpg", "2026-03-12T00:00:00", None, DAY),
        ("1773308467130.jpg", "2026-03-12T09:41:07.130", 0, 1),
        ("bench/2026-03-12 loom/IMG_20260313_104107.jpg", "2026-03-13T10:41:07", None, 1000),
        ("C:\\bench\\IMG_20260312_104107.jpg", "2026-03-12T10:41:07", None, 1000),
    ],
)
def test_times_in_names(name: str, wall: str, offset: int | None, step: int) -> None:
    claim = name_claim(name)
    assert claim is not None
    assert (claim.source, claim.fault) == (ClaimSource.FILE_NAME, None)
    assert (claim.wall, claim.offset_min, claim.resolution_ms) == (datetime.fromisoformat(wall), offset, step)
    assert claim.text == name.replace("\\", "/").rsplit("/", 1)[-1]


@pytest.mark.parametrize(
    "name",
    [
        "DSC00001.JPG", "IMG_0412.JPG", "_MG_9376.JPG", "P1000244.JPG", "MVC-003F.411", "100_0412.jpg",
        "lantern wiring.jpg", "", ".jpg", "W03 before O4.jpg",
        "IMG_20261345_104107.jpg",  # no such month: some other number
        "IMG_20260312104.jpg", "4006381333931.jpg", "1000000000000.jpg",  # article codes
        "2026-02-30 10.41.07.jpg",
        "bench 2026-03-12/IMG_0412.JPG",  # a folder's date is not the file's
    ],
)  # fmt: skip
def test_names_without_a_time(name: str) -> None:
    assert name_claim(name) is None


def test_a_name_given_by_a_reset_clock_is_not_believed() -> None:
    claim = name_claim("IMG_20000101_000312.jpg")
    assert claim is not None
    assert claim.wall is not None
    assert claim.fault == "looks like a clock reset"


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("IMG_0412.JPG", "IMG_####"), ("img_0413.mov", "IMG_####"), ("IMG_0412 (1).JPG", "IMG_####"),
        ("IMG_0412~2.jpg", "IMG_####"), ("IMG_0412 - Copy.JPG", "IMG_####"), ("IMG_0412 copy 2.JPG", "IMG_####"),
        ("DSC00001.JPG", "DSC#####"), ("_MG_9376.JPG", "_MG_####"), ("P1000244.JPG", "P#######"),
        ("MVC-003F.411", "MVC-###F"), ("100_0412.jpg", "###_####"), ("cards/IMG_0412.JPG", "IMG_####"),
        ("IMG_20260312_104107.jpg", "IMG_<DATE-TIME>"), ("VID_20260312_104107.mp4", "VID_<DATE-TIME>"),
        ("PXL_20260312_094107130.MP.jpg", "PXL_<DATE-TIME>"), ("20260312_104107.mp4", "<DATE-TIME>"),
        ("lantern wiring.jpg", ""), ("IMG-20260312-WA0004.jpg", ""), ("2026-03-12 lantern.jpg", ""), ("", ""),
    ],
)  # fmt: skip
def test_naming_series(name: str, expected: str) -> None:
    assert series(name) == expected


@given(st.text(max_size=60) | st.text(alphabet="0123456789-_. TAPMZ+()IMG", max_size=40))
def test_no_name_raises(name: str) -> None:
    claim = name_claim(name)
    assert claim is None or claim.wall is not None
    assert isinstance(series(name), str)


@given(st.datetimes(min_value=datetime(1991, 1, 2), max_value=datetime(2099, 12, 31)))  # noqa: DTZ001
def test_a_time_written_into_a_name_is_found(moment: datetime) -> None:
    moment = moment.replace(microsecond=0)
    for form in ("IMG_%Y%m%d_%H%M%S.jpg", "%Y-%m-%d %H.%M.%S.jpg", "VID%Y%m%d%H%M%S.mp4"):
        claim = name_claim(moment.strftime(form))
        assert claim is not None
        assert claim.wall == moment
