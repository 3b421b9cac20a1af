"""The same view of a deep model, and what changed in it, told on the sample media: hulls with ribs and runs on a mat.

What is the same place is the truth of sample_media/truth.json: pictures of one station, taken by hand on other days.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any, cast

import numpy as np
import pillow_heif
import pytest
from PIL import Image, ImageOps

from lastlook import same_views
from lastlook.archive import Archive
from lastlook.catalogue import pictures
from lastlook.cli.main import main
from lastlook.records import Dimension, Picture
from lastlook.registration import Bytes, sameview
from lastlook.registration.sameview import Looked, View
from lastlook.store import Store
from tests import lightship

pillow_heif.register_heif_opener()


def grey(file: str) -> Bytes:
    (path,) = lightship.MEDIA.rglob(file)
    with Image.open(path) as image:
        small = ImageOps.exif_transpose(image).convert("L")
    small.thumbnail((1000, 1000))
    return np.asarray(small, dtype=np.uint8)


@cache
def look(file: str) -> Looked:
    return sameview.look(grey(file))


def station(file: str) -> str:
    (found,) = (each["station"] for path, each in lightship.truth()["pictures"].items() if path.endswith("/" + file))
    return str(found)


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("BL300101.JPG", "BL300186.JPG"),  # the joint, dry and on the day before it was bonded
        ("IMG_20260331_093111.HEIC", "IMG_20260402_140820.JPG"),  # the joint from above: W09 came in between
        ("BL300152.JPG", "BL300171.JPG"),  # the mast foot, a week apart: W03 was spliced
        ("BL300203.JPG", "BL300206.JPG"),  # the main deck came on
        ("BL300219.JPG", "BL300221.JPG"),  # the base
    ],
)
def test_a_deep_model_is_known_again(first: str, second: str) -> None:
    assert station(first) == station(second)
    found = sameview.compare(look(first), look(second))
    assert found.same
    assert not found.mirrored
    assert sameview.compare(look(second), look(first)).same


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("PBT00044.JPG", "BL300240.JPG"),  # starboard and port: the ship's name is legible on both
        ("IMG_20260302_101241.HEIC", "IMG_20260318_113152.HEIC"),  # the same mat and spools, not the same thing on it
        ("BL300219.JPG", "IMG_20260410_110236.JPG"),
        ("IMG_20260323_091233.JPG", "IMG_20260311_154012.HEIC"),
        ("IMG_20260313_142037.HEIC", "IMG_20260311_154012.HEIC"),
    ],
)
def test_bench_and_opposite_side_are_not_the_same_view(first: str, second: str) -> None:
    assert station(first) != station(second)
    assert not sameview.compare(look(first), look(second)).same
    assert not sameview.compare(look(second), look(first)).same


@pytest.mark.parametrize("file", ["BL300160.JPG", "IMG_20260331_161257.HEIC"])
def test_a_flipped_picture_is_mirrored(file: str) -> None:
    turned = sameview.look(np.ascontiguousarray(grey(file)[:, ::-1]))
    found = sameview.compare(look(file), turned)
    assert not found.same
    assert found.mirrored


def test_pictures_are_reached_through_one_that_is_surely_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of three others, one agrees well with the picture between, one too little, one is known to be mirrored."""

    class Named:
        def __init__(self, id: str) -> None:
            self.id = id

    agree = {"near": 90, "weak": 25, "mirror": 200}

    def compare(first: Any, second: Any) -> View:
        assert first == "look of between"
        name = str(second).rpartition(" ")[2]
        return View(True, agree[name], 300, 0.5, False)

    monkeypatch.setattr(sameview, "compare", compare)
    between = same_views.Seen(cast(Any, Named("between")), View(True, 120, 300, 0.5, False))
    asked = [cast(Any, Named(name)) for name in ("between", "near", "weak", "mirror")]
    looks = {each.id: cast(Looked, f"look of {each.id}") for each in asked}
    found = same_views._through([between], asked, {"mirror"}, looks)
    assert [(each.picture.id, each.through) for each in found] == [("near", "between")]


def test_likeliest_are_asked_first_as_whole_pictures_would_say(lightship_archive: Archive) -> None:
    """The order that is read from few columns is the one that tags and looks of whole pictures give."""
    with Store(lightship_archive, by="Ada") as store:
        every = pictures.by_rids(store.catalogue, pictures.every_rid(store.catalogue))
        asked = 0
        for here in every[::9]:
            subs = set(here.counted(Dimension.SUBASSEMBLY))

            def order(other: Picture, here: Picture = here, subs: set[str] = subs) -> tuple[bool, int]:
                shared = bool(subs & set(other.counted(Dimension.SUBASSEMBLY))) or not subs
                if here.quality is None or other.quality is None:
                    return not shared, 64
                return not shared, (here.quality.phash ^ other.quality.phash).bit_count()

            shown = {here.group} - {None}
            wanted = []
            for each in sorted(every, key=order):
                if each.rid != here.rid and each.page and each.group not in shown:
                    wanted.append(each.rid)
                    shown |= {each.group} - {None}
            assert same_views._likely(store, here) == wanted
            asked += len(wanted)
        assert asked


def test_a_time_line_counts_what_changed(
    lightship_archive: Archive, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The lid came on the mast foot between two stills of one clip; other pairs were taken from elsewhere."""
    own = lightship.copy(lightship_archive, tmp_path)

    def told(*words: str) -> str:
        assert main(["timeline", "MAST", *words, "--archive", str(own.root)]) == 0
        return capsys.readouterr().out

    moments = {each["id"]: each for each in json.loads(told("--json"))["moments"]}
    lid = moments["O4"]["change"]
    assert lid["aligned"]
    assert lid["places"]
    assert (own.derived / lid["file"]).is_file()
    # The largest place is where the lid lies: around the foot box, at about 0.45, 0.5 of the earlier still.
    left, top, width, height = max(lid["places"], key=lambda each: each["share"])["box"]
    assert left < 0.45 < left + width
    assert top < 0.5 < top + height
    apart = moments["S10"]["change"]
    assert not apart["aligned"]
    assert apart["why"]
    assert moments["O2"]["change"] is None, "there is one picture only"
    text = told()
    assert "   change  aligned, " in text
    assert "   change  not aligned: " in text
    assert all(each["change"] is None for each in json.loads(told("--json", "--quick"))["moments"])
