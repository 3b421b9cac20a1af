"""Cards in pictures: a printed card that was photographed tags its photo and what comes behind it; cards in clips."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from lastlook.archive import Archive
from lastlook.cards import Card, encode, layout
from lastlook.cards.plane import planes
from lastlook.cards.sheet import Titled, to_pdf
from lastlook.catalogue import codes, pictures
from lastlook.plan.parse import parse_plan
from lastlook.records import Code, CodeKind, Dimension, Picture
from lastlook.store import Store
from lastlook.tagging import Context, Lexicon, cards
from lastlook.tagging.cards import Shown, cards_in, held, strange
from lastlook.tagging.context import CardSeen
from tests import archives, media
from tests.test_cards import PIXELS, rendered

PLAN = parse_plan(archives.PLAN, "plan.toml")
MAST, S80 = Card(Dimension.SUBASSEMBLY, "MAST"), Card(Dimension.STEP, "S80")


def on_a_bench(card: Image.Image, width: int, *, turn: float = 8.0) -> Image.Image:
    """The card lying on a busy bench, `width` pixels wide, seen from one side and a little out of focus."""
    bench = media.bench_picture(1600, 1200, seed=11).convert("RGB")
    high = int(width * layout.HEIGHT / layout.WIDTH)
    lying = card.convert("RGB").resize((width, high))
    corners = np.array([[0, 0], [width, 0], [width, high], [0, high]], dtype=np.float32)
    seen = corners * [1, 0.8] + [[width * 0.06, 0], [-width * 0.04, width * 0.02], [0, 0], [0, width * 0.02]]
    angle = np.deg2rad(turn)
    turned = seen @ np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]]) + [520, 330]
    map_ = cv2.getPerspectiveTransform(corners, turned.astype(np.float32))
    picture = np.asarray(bench).copy()
    laid = cv2.warpPerspective(np.asarray(lying), map_, (1600, 1200), flags=cv2.INTER_AREA)
    mask = cv2.warpPerspective(np.full((high, width), 255, np.uint8), map_, (1600, 1200))
    picture[mask > 127] = laid[mask > 127]
    return Image.fromarray(cv2.GaussianBlur(picture, (0, 0), 0.8))


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> Image.Image:
    """A printed card, cut out of its sheet."""
    page = rendered(to_pdf([Titled(MAST, "Lantern mast")], build="Lightship LV-40"), tmp_path_factory.mktemp("card"))
    left, top = (210 - 2 * layout.WIDTH) / 2 * PIXELS, (297 - 4 * layout.HEIGHT) / 2 * PIXELS
    right, low = left + layout.WIDTH * PIXELS, top + layout.HEIGHT * PIXELS
    return Image.fromarray(page).crop((round(left), round(top), round(right), round(low)))


@pytest.fixture(scope="module")
def taken(tmp_path_factory: pytest.TempPathFactory, card: Image.Image) -> Archive:
    folder = tmp_path_factory.mktemp("cards")
    made = archives.make(folder / "a")
    shown = on_a_bench(card, 620)
    mirrored = shown.transpose(Image.Transpose.FLIP_LEFT_RIGHT)
    for name, picture, when in (
        ("C1.jpg", shown, "2026:03:20 13:00:00"),
        ("C2.jpg", media.bench_picture(320, 240, seed=2), "2026:03:20 13:05:00"),
        ("C3.jpg", mirrored, "2026:04:20 13:00:00"),
    ):
        (folder / "in").mkdir(exist_ok=True)
        exif = media.exif_block(original=when, offset="+01:00")
        (folder / "in" / name).write_bytes(media.jpeg_bytes(picture, exif))
    archives.take(made, folder / "in")
    return made


def by_file(store: Store) -> dict[str, Picture]:
    return {one.file: one for one in pictures.by_rids(store.catalogue, pictures.every_rid(store.catalogue))}


def test_a_photographed_card_tags_its_photo_and_those_behind_it(taken: Archive) -> None:
    with Store(taken, by="ada") as store:
        found = by_file(store)
        tag = found["C1.jpg"].tags[0]
        assert (tag.target, tag.by, tag.why) == ("MAST", "card", "card MAST in view")
        assert tag.confidence >= 0.97
        behind = found["C2.jpg"].tags[0]
        assert (behind.target, behind.by) == ("MAST", "neighbour")
        assert behind.why == "taken 5 min after C1.jpg, which shows the card"
        assert behind.counts


def test_a_mirrored_photo_is_noticed_and_said(taken: Archive) -> None:
    with Store(taken, by="ada") as store:
        tag = by_file(store)["C3.jpg"].tags[0]
        assert (tag.target, tag.why) == ("MAST", "card MAST in view (in mirror image)")


def test_a_card_gives_scale_and_plane(taken: Archive) -> None:
    """The map that the markers' corners give puts the square code's corners where they are, too."""
    with Store(taken, by="ada") as store:
        one = by_file(store)["C1.jpg"]
        read = codes.of_pictures(store.catalogue, [one.rid])[one.rid]
    (plane,) = planes(read)
    assert len(plane.pixels) >= 12
    map_, _ = cv2.findHomography(np.array(plane.pixels), np.array(plane.millimetres))
    back = cv2.perspectiveTransform(np.array(plane.pixels)[None], map_)[0]
    assert np.abs(back - np.array(plane.millimetres)).max() < 0.6  # mm
    square = next(code for code in read if code.kind is CodeKind.QR)
    at = cv2.perspectiveTransform(np.array(square.corners)[None], map_)[0]
    assert np.abs(at - np.array(layout.corners_of_code())).max() < 1.5  # mm


def test_a_card_of_another_plan_is_told(taken: Archive, tmp_path: Path) -> None:
    import shutil

    from lastlook import archive, queue

    shutil.copytree(taken.root, tmp_path / "a")
    with Store(archive.open_at(tmp_path / "a"), by="ada") as store:
        assert queue.strange_cards(store) == []
        with store.catalogue.writing():
            other = Code(CodeKind.QR, encode(Card(Dimension.STEP, "S99")), ((0, 0), (1, 0), (1, 1), (0, 1)), 1.0)
            codes.found(store.catalogue, by_file(store)["C2.jpg"].rid, [other])
        assert queue.strange_cards(store) == [("C2.jpg", "a bench card for step S99, which the plan does not have")]


# ------------------------------------------------------------------------------------------------ pure


def qr(card: Card, at_ms: int | None = None, *, mirrored: bool = False) -> tuple[int | None, Code]:
    return at_ms, Code(CodeKind.QR, encode(card), ((0, 0), (1, 0), (1, 1), (0, 1)), 1.0, mirrored)


def test_a_clip_keeps_to_a_card_until_the_next() -> None:
    shown = cards_in([qr(S80, 60_000), qr(MAST, 10_000), (90_000, Code(CodeKind.QR, "WIFI:x", (), 1.0))], PLAN)
    assert held(shown, 2_000, 1_500) == ()
    assert [(one.target, one.in_view) for one in held(shown, 11_000, 1_500)] == [("MAST", True)]
    assert [(one.target, one.in_view, one.at_ms) for one in held(shown, 55_000, 1_500)] == [("MAST", False, 10_000)]
    assert [(one.target, one.in_view) for one in held(shown, 300_000, 1_500)] == [("S80", False)]


def test_two_cards_held_up_together_both_hold() -> None:
    shown = cards_in([qr(MAST, 10_000), qr(S80, 12_000)], PLAN)
    assert {one.target for one in held(shown, 90_000, 1_500)} == {"MAST", "S80"}
    assert {one.target for one in held(cards_in([qr(MAST), qr(S80)], PLAN), None, 1_500)} == {"MAST", "S80"}


def test_cards_of_another_plan_propose_nothing_and_are_told() -> None:
    strangers = [qr(Card(Dimension.STEP, "S99"))[1], Code(CodeKind.QR, "LL1:S:S80:00", (), 1.0)]
    assert cards_in([(None, one) for one in strangers], PLAN) == []
    assert [line.split(",")[0] for line in strange(strangers, PLAN)] == [
        "a bench card for step S99",
        "a bench card whose code cannot be trusted (LL1:S:S80:00); print it again",
    ]
    assert cards_in([qr(Card(Dimension.STEP, "s80"))], PLAN) == [Shown(S80, None, False)]  # as the plan writes it
    assert cards_in([qr(Card(Dimension.RUN, "S80"))], PLAN) == []  # a run of that name there is not


def test_evidence_says_how_the_card_was_met() -> None:
    seen = (CardSeen(Dimension.STEP, "S80", False, 62_000), CardSeen(Dimension.SUBASSEMBLY, "MAST", True, None, True))
    found = cards.propose(Context(PLAN, Lexicon.of(PLAN), clip_ms=90_000, cards=seen))
    assert [one.evidence for one in found] == [
        "card S80 shown to the clip at 1:02, and no other since",
        "card MAST in view (in mirror image)",
    ]
    assert found[0].confidence < found[1].confidence
