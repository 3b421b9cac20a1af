"""A clock card held into a clip for a second: a still of it, and the clip's camera set right by it."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from lastlook import archive, clock_fit
from lastlook.catalogue import media, pictures
from lastlook.clocks import card
from lastlook.ingest import ingest
from lastlook.intake import stills
from lastlook.intake.stills import JudgedLook
from lastlook.records import ClaimSource
from lastlook.store import Store
from tests import cardviews
from tests.clipmedia import write_frames
from tests.media import bench_picture

RATE = 10
SECONDS = 12
SHOWN = (5.2, 6.5)  # between two key frames and the next but one
BEGAN = datetime(2026, 3, 12, 9, 40, 0, tzinfo=UTC)


def write_clip(path: Path, key_every: int = RATE) -> None:
    """Twelve seconds of the bench, with the card of each second in view for 1.3 s; its name is 40 s fast."""
    before, after = (np.asarray(bench_picture(960, 540, seed)) for seed in (5, 6))
    dice = np.random.default_rng(4)

    def of_card(second: int) -> np.ndarray:
        text = card.compose(BEGAN + timedelta(seconds=second), 1.3)
        seen = cardviews.seen(cardviews.qr_face(text), 240, dice, tilt=10, on=cardviews.ground(960, 540))
        return np.repeat(seen.grey[:, :, None], 3, axis=2)

    cards = {second: of_card(second) for second in (5, 6)}

    def frame(number: int) -> np.ndarray:
        at = number / RATE
        if SHOWN[0] <= at < SHOWN[1]:
            return cards[int(at)]
        return before if at < SHOWN[0] else after

    path.parent.mkdir(parents=True, exist_ok=True)
    write_frames(path, frame, SECONDS * RATE, rate=RATE, key_every=key_every)


@pytest.mark.parametrize("key_every", [RATE, 250])
def test_a_card_in_view_for_a_second_is_a_still_and_a_reference(tmp_path: Path, key_every: int) -> None:
    """Also where there is no key frame but the first, as encoders make them that are given no other wish."""
    write_clip(tmp_path / "bench" / "VID_20260312_104040.mp4", key_every)
    made = archive.create(tmp_path / "build", name="LV-40", zone="Europe/Copenhagen")
    with Store(made, create=True) as store, ThreadPoolExecutor(1) as executor:
        ingest(store, [tmp_path / "bench"], executor=executor)
        (clip,) = media.every(store.catalogue, "clip")
        moments = [picture.clip_ms for picture in pictures.of_medium(store.catalogue, clip.sha256)]
        assert any(moment is not None and SHOWN[0] * 1000 <= moment < SHOWN[1] * 1000 for moment in moments)
        found = clock_fit.cards(store.catalogue, store.zone)
        (camera,) = found
        assert camera == "named VID_<DATE-TIME>"
        assert found[camera].used, "the card's time was not read"
        assert all(one.source is ClaimSource.FILE_NAME for one in found[camera].used)
        fit = clock_fit.fits(store.catalogue, store.zone)[camera]
        assert fit.residuals[0].error_s == pytest.approx(40, abs=4)
        time = pictures.of_medium(store.catalogue, clip.sha256)[0].time
        assert time.earliest is not None
        assert time.latest is not None
        assert time.earliest <= BEGAN <= time.latest
        assert "+clock" in time.basis


def test_the_ends_of_a_card_and_its_sharpest_look_are_kept() -> None:
    looks = [
        JudgedLook(second * 1000, 0, 10.0 + (second == 5), card=second in (3, 4, 5, 7, 12)) for second in range(16)
    ]
    found = stills.with_cards([], looks)
    # One look without a card between two with is no end; at 12 s it is another card.
    assert [choice.clip_ms for choice in found] == [3000, 5000, 7000, 12_000]
    assert all(choice.why == "card" and choice.earliest_ms == choice.latest_ms for choice in found)
    there = stills.choose(looks, 16_000)
    kept = stills.with_cards(there, looks)
    assert {choice.clip_ms for choice in there} <= {choice.clip_ms for choice in kept}
