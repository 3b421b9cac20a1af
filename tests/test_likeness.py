"""Likeness by local features: the same thing seen otherwise, another thing on the same mat, and what follows."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from lastlook import deciding, resembling
from lastlook.catalogue import pictures
from lastlook.deciding import Target
from lastlook.intake import likeness_features
from lastlook.records import Dimension, Picture, TagState
from lastlook.store import Store
from tests import archives, media

Grey = NDArray[np.uint8]


def mat() -> Grey:
    """A cutting mat: a grid each 40 pixels, heavier each 200, numbers along two rims, a maker's line."""
    grey = np.full((720, 960), 70, dtype=np.uint8)
    for at in range(0, 960, 40):
        cv2.line(grey, (at, 0), (at, 720), 120 if at % 200 else 170, 1 if at % 200 else 2)
        cv2.putText(grey, str(at // 40), (at + 3, 14), cv2.FONT_HERSHEY_SIMPLEX, 0.45, 190, 1)
    for at in range(0, 720, 40):
        cv2.line(grey, (0, at), (960, at), 120 if at % 200 else 170, 1 if at % 200 else 2)
        cv2.putText(grey, str(at // 40), (2, at + 14), cv2.FONT_HERSHEY_SIMPLEX, 0.45, 190, 1)
    cv2.putText(grey, "SELF HEALING A2", (600, 700), cv2.FONT_HERSHEY_SIMPLEX, 0.7, 190, 2)
    return grey


def thing(seed: int) -> Grey:
    """Something lying on the mat: plates, wires and rivets, each seed another."""
    chance = np.random.default_rng(seed)
    grey = mat()
    cv2.rectangle(grey, (180, 120), (800, 620), 205, -1)
    for _ in range(70):
        x, y = chance.integers(190, 760), chance.integers(130, 580)
        size = int(chance.integers(8, 46))
        tone = int(chance.integers(20, 250))
        if chance.random() < 0.5:
            cv2.rectangle(grey, (int(x), int(y)), (int(x) + size, int(y) + int(chance.integers(6, 30))), tone, -1)
        else:
            cv2.circle(grey, (int(x), int(y)), size // 2, tone, -1)
    for _ in range(6):
        ends = chance.integers(190, 600, 4)
        cv2.line(grey, (int(ends[0]), int(ends[1])), (int(ends[2]) + 150, int(ends[3])), int(chance.integers(250)), 3)
    return grey


def seen_again(grey: Grey, *, turn: float = 6, scale: float = 0.85, light: float = 0.8) -> Grey:
    """The same from another place, in other light, with noise."""
    high, wide = grey.shape
    map_ = np.vstack([cv2.getRotationMatrix2D((wide / 2, high / 2), turn, scale), [0.00005, 0.00008, 1]])
    out = cv2.warpPerspective(grey, map_, (wide, high), borderValue=60).astype(np.float32) * light
    out += np.random.default_rng(1).normal(0, 4, out.shape)
    return np.asarray(np.clip(out, 0, 255), dtype=np.uint8)


def agree(one: Grey, other: Grey) -> int:
    return likeness_features.agreeing(likeness_features.of_grey(one), likeness_features.of_grey(other))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_same_seen_again_agrees(seed: int) -> None:
    assert agree(thing(seed), seen_again(thing(seed))) >= likeness_features.LEAST_AGREEING


@pytest.mark.parametrize(("one", "other"), [(1, 2), (2, 3), (4, 5), (6, 7), (8, 9), (10, 11)])
def test_the_same_mat_is_no_likeness(one: int, other: int) -> None:
    assert agree(thing(one), thing(other)) == 0
    assert agree(thing(one), seen_again(thing(other))) == 0


def test_what_has_nothing_to_hold_on_to() -> None:
    blank = np.full((480, 640), 128, dtype=np.uint8)
    assert agree(blank, blank) == 0
    assert agree(thing(1), np.ascontiguousarray(thing(1)[:, ::-1])) == 0  # a mirrored one is another view


def test_features_are_kept_and_found_again(tmp_path: Path) -> None:
    (tmp_path / "page").mkdir()
    cv2.imwrite(str(tmp_path / "page" / "x.jpg"), thing(1))
    first = likeness_features.of_file(tmp_path, "page/x.jpg")
    assert first is not None
    (tmp_path / "page" / "x.jpg").unlink()
    again = likeness_features.of_file(tmp_path, "page/x.jpg")
    assert again is not None
    assert np.array_equal(first.bits, again.bits)
    (kept,) = (tmp_path / "features").iterdir()
    kept.write_bytes(b"torn")
    assert likeness_features.of_file(tmp_path, "page/x.jpg") is None  # neither is left; no error


def test_preselection_finds_the_like_ones_among_many() -> None:
    found = [likeness_features.of_grey(thing(seed)).sketch for seed in range(1, 41)]
    index = likeness_features.Index(found)
    for seed in (1, 5, 9, 13, 30):
        again = likeness_features.of_grey(seen_again(thing(seed)))
        assert seed - 1 in index.nearest(again.sketch, 3)
    assert likeness_features.Index([]).nearest(found[0], 3) == []


def test_what_a_person_tagged_speaks_for_what_looks_alike(tmp_path: Path) -> None:
    made = archives.make(tmp_path / "a")
    bench = tmp_path / "in"
    bench.mkdir()
    for name, grey, when in (
        ("A.jpg", thing(1), "2026:03:02 10:00:00"),
        ("B.jpg", seen_again(thing(1)), "2026:04:12 10:00:00"),  # weeks later
        ("C.jpg", thing(5), "2026:04:20 10:00:00"),
    ):
        cv2.imwrite(str(tmp_path / "x.png"), grey)
        from PIL import Image

        with Image.open(tmp_path / "x.png") as image:
            image.load()
        exif = media.exif_block(original=when, offset="+01:00")
        (bench / name).write_bytes(media.jpeg_bytes(image.convert("RGB"), exif))
    archives.take(made, bench)

    def shown(store: Store) -> dict[str, Picture]:
        return {one.file: one for one in pictures.by_rids(store.catalogue, pictures.every_rid(store.catalogue))}

    with Store(made, by="ada") as store:
        assert resembling.compare(store, executor=archives.Inline()).looked_at == 0  # nobody tagged anything yet
        said, _ = deciding.tag(store, [shown(store)["A.jpg"].id], [Target(Dimension.SUBASSEMBLY, "MAST")])
        done = resembling.compare(store, executor=archives.Inline())
        assert (done.looked_at, done.links) == (3, 1)
        (tag,) = shown(store)["B.jpg"].tags
        assert (tag.target, tag.by, tag.state) == ("MAST", "likeness", TagState.PROPOSED)
        assert tag.why.startswith("looks like A.jpg, tagged so by a person: ")
        assert shown(store)["C.jpg"].tags == ()
        assert resembling.compare(store, executor=archives.Inline()).looked_at == 0  # nothing new
        deciding.undo(store, said.uid)
        assert shown(store)["B.jpg"].tags == ()  # nobody says so any more
        deciding.tag(store, [shown(store)["A.jpg"].id], [Target(Dimension.SUBASSEMBLY, "BASE")])
        assert shown(store)["B.jpg"].tags[0].target == "BASE"  # the likeness itself is remembered
