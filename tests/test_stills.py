"""Which moments become stills, and which pictures are near-duplicates: pure rules, tested as rules."""

from __future__ import annotations

import itertools
import random
from dataclasses import replace

import imagehash
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageDraw

from lastlook.intake.likeness import group_near
from lastlook.intake.stills import (
    BLURRED,
    REFINE_REACH_MS,
    SETTLED_BONUS,
    Choice,
    JudgedLook,
    choose,
    holds,
    reach,
    refine,
    to_refine,
)

HOLD, INTERVAL = 3_000, 20_000


def look(clip_ms: int, view: int, sharpness: float = 100.0, blur: float = 0.2, key: bool = True) -> JudgedLook:
    return JudgedLook(clip_ms, view, sharpness, blur, key)


# A schedule: states one after the other, each with its length; and how far apart the looks at it are.
states = st.lists(st.tuples(st.integers(100, 25_000), st.booleans()), min_size=1, max_size=25)
steps = st.lists(st.integers(300, 1500), min_size=10, max_size=60)


@st.composite
def schedules(draw: st.DrawFn) -> tuple[list[tuple[int, int]], list[JudgedLook], int]:
    """(states as [start, end), looks, end). A state that is not held shows another view at every look."""
    spans: list[tuple[int, int, bool]] = []
    now = 0
    for length, held in draw(states):
        spans.append((now, now + length, held))
        now += length
    rhythm = draw(steps)
    sharp = random.Random(draw(st.integers(0, 999)))
    looks: list[JudgedLook] = []
    moment, fresh = 0, 1_000
    for step in itertools.cycle(rhythm):
        if moment >= now:
            break
        place = next(i for i, (start, end, _) in enumerate(spans) if start <= moment < end)
        fresh += 1
        view = place if spans[place][2] else fresh
        looks.append(look(moment, view, sharp.uniform(1, 100), sharp.random(), sharp.random() < 0.5))
        moment += step
    return [(start, end) for start, end, held in spans if held], looks, now


@given(schedules())
def test_every_state_held_for_three_seconds_has_a_still(
    plan: tuple[list[tuple[int, int]], list[JudgedLook], int],
) -> None:
    spans, looks, end_ms = plan
    chosen = [choice.clip_ms for choice in choose(looks, end_ms)]
    for start, end in spans:
        if end - start >= HOLD:
            assert any(start <= moment < end for moment in chosen), (start, end, chosen)


@given(schedules())
def test_the_still_of_a_hold_is_its_sharpest_look(plan: tuple[list[tuple[int, int]], list[JudgedLook], int]) -> None:
    _, looks, end_ms = plan
    by_time = {one.clip_ms: one for one in looks}
    chosen = {choice.clip_ms for choice in choose(looks, end_ms)}
    for hold in holds(looks, end_ms):
        if hold.possible_ms >= HOLD:
            view = looks[hold.first].view
            own = [one for one in looks[hold.first : hold.last + 1] if one.view == view]
            best = max(one.rank for one in own)
            got = [by_time[m] for m in chosen if m in {one.clip_ms for one in own}]
            # The sharpest of a hold may be beaten only by one nearly as sharp that is more settled.
            assert any(one.rank * SETTLED_BONUS >= best for one in got)


@given(schedules(), st.sampled_from([5_000, 12_000, 20_000]))
def test_no_stretch_is_without_a_still(
    plan: tuple[list[tuple[int, int]], list[JudgedLook], int], interval_ms: int
) -> None:
    _, looks, end_ms = plan
    chosen = [choice.clip_ms for choice in choose(looks, end_ms, interval_ms=interval_ms)]
    assert chosen
    assert chosen == sorted(set(chosen))
    assert set(chosen) <= {one.clip_ms for one in looks}
    for before, after in itertools.pairwise([0, *chosen, end_ms]):
        assert after - before <= interval_ms


@given(st.lists(st.tuples(st.integers(1, 90_000), st.integers(0, 3)), min_size=1, max_size=30))
def test_looks_far_apart_are_no_trouble(gaps: list[tuple[int, int]]) -> None:
    moment, looks = 0, []
    for gap, view in gaps:
        looks.append(look(moment, view))
        moment += gap
    chosen = [choice.clip_ms for choice in choose(looks, moment)]
    assert chosen
    assert chosen == sorted(set(chosen))


def test_no_looks_give_no_stills() -> None:
    assert choose([], 5_000) == []


def test_a_moving_clip_gives_few_stills_and_the_sharp_ones() -> None:
    looks = [look(t * 1000, t, 90.0 if t % 10 == 7 else 20.0) for t in range(60)]
    assert [choice.clip_ms for choice in choose(looks, 60_000)] == [17_000, 37_000, 57_000]
    assert {choice.why for choice in choose(looks, 60_000)} == {"interval"}


def test_a_hold_says_how_long_it_surely_was() -> None:
    looks = [look(0, 0), look(1000, 1), look(2000, 1, 150), look(3000, 1), look(4000, 1), look(5000, 2)]
    choice = choose(looks, 5_500)[0]
    assert (choice.clip_ms, choice.hold_ms, choice.why) == (2000, 3000, "held")
    assert (choice.earliest_ms, choice.latest_ms) == (1000, 4000)


def test_one_stray_look_does_not_break_a_hold_and_is_never_taken_for_it() -> None:
    looks = [look(0, 0), look(1000, 7, 999.0), look(2000, 0, 50), look(3000, 5)]
    found = holds(looks, 4_000)
    assert [(hold.first, hold.last) for hold in found] == [(0, 2), (3, 3)]
    choice = choose(looks, 4_000)[0]
    assert choice.clip_ms == 0
    assert choice.latest_ms == 0  # a sharper neighbour may not come from the stray look


def test_an_equal_key_frame_wins() -> None:
    looks = [look(0, 0, key=False), look(1000, 0, key=True), look(2000, 0, 101, key=False), look(3000, 0, key=False)]
    assert choose(looks, 4_000)[0].clip_ms == 1000


def test_the_ends_of_a_hold_win_only_when_clearly_sharper() -> None:
    settled = [look(0, 0, 107), look(1000, 0, 100), look(2000, 0, 99), look(3000, 0, 98)]
    assert choose(settled, 4_000)[0].clip_ms == 1000
    assert choose([look(0, 0, 140), *settled[1:]], 4_000)[0].clip_ms == 0


def choice(clip_ms: int, blur: float, sharpness: float = 10.0) -> Choice:
    return Choice(clip_ms, sharpness, blur, 3000, clip_ms - 400, clip_ms + 1000, "held")


def test_only_blurred_choices_are_refined_and_their_number_follows_the_length() -> None:
    choices = [choice(t * 1000, 0.9 if t % 2 else BLURRED - 0.01) for t in range(60)]
    picked = to_refine(choices, 60_000)
    assert len(picked) == 6
    assert all(one.blur >= BLURRED for one in picked)
    assert len(to_refine(choices, 10_000)) == 3
    assert to_refine([replace(one, doubtful=False) for one in choices], 60_000) == []


def test_a_clearly_sharper_neighbour_within_bounds_replaces_a_blurred_choice() -> None:
    blurred = choice(5000, 0.8)
    assert reach(blurred) == (5000, 5000 + REFINE_REACH_MS)
    assert reach(replace(blurred, latest_ms=5000)) == (4600, 5000)
    moved = refine(blurred, [look(4500, 0, 99), look(5120, 0, 20, 0.3), look(5200, 0, 15)])
    assert (moved.clip_ms, moved.sharpness, moved.blur) == (5120, 20, 0.3)
    assert refine(blurred, [look(5040, 0, 11)]) is blurred
    assert refine(blurred, []) is blurred


# ------------------------------------------------------------------------------------------- near-duplicates


def test_chains_are_followed_within_time_and_bits() -> None:
    pictures = [
        ("a", 0, 0),
        ("far", 500_000, 0),
        ("b", 60_000, 0b1111),
        ("c", 150_000, 0b11111111),
        ("x", 1, 2**63 - 1),
    ]
    assert group_near(pictures) == [["a", "b", "c"], ["x"], ["far"]]
    assert group_near(pictures, within_bits=3) == [["a"], ["x"], ["b"], ["c"], ["far"]]
    assert group_near([]) == []


@given(
    st.lists(
        st.tuples(st.integers(0, 10**6), st.integers(0, 2**64 - 1) | st.sampled_from([0, 1, 3, 7, 2**40])), max_size=40
    )
)
def test_groups_are_the_connected_parts(items: list[tuple[int, int]]) -> None:
    """Against the plain definition: a flood over all pairs."""
    pictures = [(index, moment, bits) for index, (moment, bits) in enumerate(items)]
    groups = group_near(pictures, within_ms=50_000, within_bits=3)
    assert sorted(one for group in groups for one in group) == list(range(len(items)))
    label = list(range(len(items)))
    changed = True
    while changed:
        changed = False
        for a, b in itertools.combinations(range(len(items)), 2):
            near = abs(items[a][0] - items[b][0]) <= 50_000 and (items[a][1] ^ items[b][1]).bit_count() <= 3
            if near and label[a] != label[b]:
                label[a] = label[b] = min(label[a], label[b])
                changed = True
    for group in groups:
        assert len({label[one] for one in group}) == 1
    assert len(groups) == len(set(label))
    for group in groups:
        assert [items[one][0] for one in group] == sorted(items[one][0] for one in group)


@pytest.mark.parametrize("seed", range(5))
def test_stills_of_one_view_share_a_group_and_other_views_do_not(seed: int) -> None:
    """Hashes by imagehash (PyPI), the reference for the 64-bit DCT hash: a moved wire stays, another view goes."""

    def hashed(image: Image.Image) -> int:
        return int(str(imagehash.phash(image)), 16)

    bench = _bench(seed)
    wired = bench.copy()
    ImageDraw.Draw(wired).line([(200, 20), (240, 220)], fill=240, width=4)
    other = _bench(seed + 100)
    groups = group_near([("bench", 0, hashed(bench)), ("other", 500, hashed(other)), ("wired", 1000, hashed(wired))])
    assert groups == [["bench", "wired"], ["other"]]


def _bench(seed: int) -> Image.Image:
    numbers = np.random.default_rng(seed)
    image = Image.fromarray(numbers.integers(90, 150, (9, 16), dtype=np.uint8)).resize(
        (480, 270), Image.Resampling.BICUBIC
    )
    pen = ImageDraw.Draw(image)
    for _ in range(14):
        x, y, w, h = (int(v) for v in numbers.integers(10, [460, 260, 140, 100]))
        pen.rectangle([x, y, x + w, y + h], fill=int(numbers.integers(10, 245)))
    return image


@pytest.mark.parametrize(
    ("sharpnesses", "doubtful"),
    [
        ((78.0, 88.0, 104.0, 86.0, 102.0, 100.0), False),  # one soft look among many: the camera was held still
        ((60.0, 104.0, 70.0, 61.0, 102.0), True),  # most looks are soft: the sharpest was luck, beside it may be more
        ((100.0, 80.0, 80.0), False),  # 100 = 1.25 x 80: just not
        ((100.1, 80.0, 80.0), True),
        ((100.0, 100.0), True),  # too few looks to know
    ],
)
def test_neighbours_of_a_hold_are_only_asked_where_most_looks_are_softer(
    sharpnesses: tuple[float, ...], doubtful: bool
) -> None:
    looks = [look(1000 * at, 0, sharpness, blur=0.6) for at, sharpness in enumerate(sharpnesses)]
    (choice,) = choose(looks, 1000 * len(looks), hold_ms=HOLD if len(looks) > 2 else 0, interval_ms=INTERVAL)
    assert choice.doubtful is doubtful
    assert bool(to_refine([choice], 60_000)) is doubtful
