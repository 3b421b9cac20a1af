"""Finding a run on the finished skin, through the archive and the commands, against exact truth."""

from __future__ import annotations

import io
import json
import re
import shutil
import subprocess
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest
from PIL import Image

from lastlook import (
    aligning,
    archive,
    deciding,
    locate,
    marking,
    overlay,
    picturing,
    planning,
    rebuild,
    registering,
    template,
)
from lastlook.cards import layout
from lastlook.catalogue import decisions, pictures
from lastlook.cli.main import main
from lastlook.errors import ArchiveError, UsageError
from lastlook.ingest import ingest
from lastlook.picturing import Loaded
from lastlook.records import Dimension, PictureKind
from lastlook.registration import camera, depth, markers, plane
from lastlook.registration.band import CAUTION
from lastlook.registration.plane import Reason
from lastlook.store import Store
from tests import scene_archive, scenes
from tests.bench_archive import PLAN
from tests.scene_archive import Scene


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> Scene:
    """Two runs traced on one inside picture, one of them on a second; outlines, two lengths, one depth."""
    made = scene_archive.make(tmp_path_factory.mktemp("scene"))
    with Store(made.archive, by="ada") as store:
        for name in ("inside-1", "inside-2", "closed"):
            marking.mark(store, made.ids[name], "outline", made.outline(name))
        marking.mark(store, made.ids["inside-1"], "trace", made.run("inside-1", 0), "W03")
        marking.mark(store, made.ids["inside-1"], "trace", made.run("inside-1", 1), "W07")
        marking.mark(store, made.ids["inside-2"], "trace", made.run("inside-2", 1, 5), "W07")
        x, y = np.array(made.model.half) * 0.9
        corners = made.skin("closed", np.array([[-x, -y], [x, -y], [x, y]]))
        marking.know_length(store, made.ids["closed"], corners[:2], 2 * x)
        marking.know_length(store, made.ids["closed"], corners[1:], 2 * y)
        marking.know_depth(store, "w03", -float(made.model.wires[0].path[0, 2]), 0.5)
    return made


@pytest.fixture
def own(scene: Scene, tmp_path: Path) -> Scene:
    """A copy to change."""
    return _own(scene, tmp_path)


def _own(of: Scene, folder: Path) -> Scene:
    shutil.copytree(of.archive.root, folder / "scene")
    return replace(of, archive=archive.open_at(folder / "scene"))


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str]]:
    def call(of: Scene, *words: object) -> tuple[int, str]:
        code = main([*map(str, words), "--archive", str(of.archive.root)])
        told = capsys.readouterr()
        return code, told.out + told.err

    return call


def test_a_run_lies_where_it_is(scene: Scene) -> None:
    with Store(scene.archive) as store:
        found = locate.locate(store, "W03", scene.ids["closed"])
        assert found.refusal is None
        (carried,) = found.carried
        truth = scene.truth(0)
        pixel = 420 / 1600
        away = [pixel * float(np.linalg.norm(carried.line - point, axis=1).min()) for point in truth[1:-1]]
        assert np.median(away) < 1
        inside = [locate.under(found, point)[0].to_band_mm for point in truth]
        assert np.mean([gap <= 0 for gap in inside]) >= 0.95
        assert carried.band is not None
        assert np.median(carried.band.half) < 2
        # Along the middle of a run, 30 mm aside is outside it, by what the line's distance says.
        beside = locate.under(found, truth[len(truth) // 2] + np.array([0.0, 30 / pixel]))[0]
        assert beside.to_band_mm > 5
        assert beside.to_band_mm == pytest.approx(beside.to_line_mm - np.median(carried.band.half), abs=1.5)


def test_depth_comes_from_a_second_inside_picture(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []

    def counted(store: Store, inside: Loaded, outside: Loaded) -> registering.Registration:
        asked.append(inside.picture.id)
        return registering.register(store, inside, outside)

    monkeypatch.setattr(locate, "register", counted)
    with Store(scene.archive) as store:
        found = locate.locate(store, "W07", scene.ids["closed"])
        assert found.carried[0].depth.basis == "seen from two sides"
        assert found.carried[0].depth.mm == pytest.approx(-float(scene.model.wires[1].path[0, 2]), abs=1.5)
        assert len(found.others) == 1
    assert sorted(asked) == sorted([scene.ids["inside-1"], scene.ids["inside-2"]])  # each pair once


def test_a_depth_that_two_looks_contradict_is_not_relied_on(own: Scene) -> None:
    true = -float(own.model.wires[1].path[0, 2])
    with Store(own.archive, by="ada") as store:
        marking.know_depth(store, "W07", true + 8, 0.5)
        found = locate.locate(store, "W07", own.ids["closed"])
        deep = found.carried[0].depth
        assert deep.least is not None
        assert deep.most is not None
        assert deep.least < true < true + 8 < deep.most
        assert any("contradict each other" in line for line in found.said)
        assert all(locate.under(found, point)[0].to_band_mm <= 0 for point in own.truth(1)[1:-1])


@pytest.mark.parametrize(("n", "reason"), [(1.3, Reason.OUTSIDE), (-0.93, Reason.DISAGREE)])
def test_ties_that_fit_each_other_and_not_the_skin_are_refused(own: Scene, n: float, reason: Reason) -> None:
    # On the bench, whose plane is another one; and the model's one end taken for the other in the second picture.
    angle = np.linspace(0, 2 * np.pi, 6, endpoint=False) + 0.3
    on = np.column_stack([np.cos(angle), np.sin(angle)]) * own.model.half
    ends = [own.skin("inside-1", on * 0.93), own.skin("closed", on * n)]
    with Store(own.archive, by="ada") as store:
        pairs = np.stack([np.clip(at, 0, [1599, 1199]) for at in ends], axis=1)
        marking.tie(store, own.ids["inside-1"], own.ids["closed"], pairs.tolist())
        found = locate.locate(store, "W03", own.ids["closed"])
        assert found.refusal is not None
        assert found.refusal.reason is reason
        assert found.carried == ()


def test_a_place_tied_twice_counts_once(own: Scene) -> None:
    x, y = own.model.half
    on = np.array([[-x, -y], [x, -y], [x, y], [-x, y]]) * 0.93
    pairs = np.stack([own.skin("inside-1", on), own.skin("closed", on)], axis=1).clip(0, [1599, 1199])
    with Store(own.archive, by="ada") as store:
        inside, closed = own.ids["inside-1"], own.ids["closed"]
        marking.tie(store, inside, closed, [*pairs.tolist(), *(pairs[:2] + 1).tolist()])
        both = [picturing.load(store, pictures.find(store.catalogue, id)) for id in (inside, closed)]
        hung = registering.register(store, both[0], both[1])
        assert [name for name in hung.ties.name if name.startswith("tie")] == ["tie 1", "tie 2", "tie 3", "tie 4"]
        assert hung.said[0] == "Tie 5 is the same place as tie 1 and counts once."


def test_depth_is_looked_for_on_few_other_pictures_and_that_is_said(
    own: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    inside, closed = own.ids["inside-1"], own.ids["closed"]
    with Store(own.archive, by="ada") as store:
        ids = [own.ids["other"], own.ids["inside-2"]]  # three days and one day later
        near = [pictures.find(store.catalogue, id) for id in (inside, closed)]
        assert [each.id for each in locate._nearest(store, ids, *near)] == ids[::-1]
        marking.tie(store, own.ids["other"], closed, [[[10, 20], [30, 40]]])
        assert [each.id for each in locate._nearest(store, ids, *near)] == ids
        monkeypatch.setattr(locate, "_MOST_ELSEWHERE", 0)
        found = locate.locate(store, "W07", closed, inside=inside)
        assert found.carried[0].depth.least == 0
        assert any("on 0 of the 1 other inside pictures" in line for line in found.said)


@pytest.mark.parametrize(("factor", "told"), [(1.0, False), (0.4, True)])
def test_a_bench_card_in_the_picture_contradicts_lengths_in_another_unit(
    own: Scene, monkeypatch: pytest.MonkeyPatch, factor: float, told: bool
) -> None:
    """Both lengths are wrong by one factor, so they agree, and no camera is too near: only the card tells."""
    closed = own.ids["closed"]
    side = own.skin(
        "closed", np.array([[0.0, 0], [layout.MARKER, 0], [layout.MARKER, layout.MARKER], [0, layout.MARKER]])
    )
    card = markers.Marker(layout.MARKER_FAMILY, next(iter(layout.MARKER_AT)), side)
    with Store(own.archive, by="ada") as store:
        loaded = picturing.load(store, pictures.find(store.catalogue, closed))
        seen = replace(card, corners=loaded.to_work(side))
        monkeypatch.setattr(markers, "find", lambda grey, *families: (seen,) if grey is not None else ())
        x, y = np.array(own.model.half) * 0.9
        corners = own.skin("closed", np.array([[-x, -y], [x, -y], [x, y]]))
        for each in marking.knowns(store, closed):
            deciding.undo(store, each.decision)
        marking.know_length(store, closed, corners[:2], factor * 2 * x)
        marking.know_length(store, closed, corners[1:], factor * 2 * y)
        found = locate.locate(store, "W03", closed)
    assert ("By the bench card in the picture" in " ".join(found.said)) is told
    assert (found.carried[0].band is None) is told


@pytest.mark.parametrize(("factor", "told"), [(0.1, "contradict each other"), (0.6, "do not agree")])
def test_a_wrong_length_draws_no_band_and_says_why(own: Scene, factor: float, told: str) -> None:
    """One diagonal beside the two lengths known: in centimetres, or read off the wrong edge; then as it is."""
    x, y = np.array(own.model.half) * 0.9
    ends = own.skin("closed", np.array([[-x, -y], [x, y]]))
    with Store(own.archive, by="ada") as store:
        before = locate.locate(store, "W03", own.ids["closed"]).carried[0].band
        wrong = marking.know_length(store, own.ids["closed"], ends, factor * 2 * float(np.hypot(x, y)))
        found = locate.locate(store, "W03", own.ids["closed"])
        assert found.carried[0].band is None
        assert len(found.carried[0].line) > 2
        assert told in " ".join(found.said)
        assert "does not lie just there" in " ".join(found.said)
        assert locate.under(found, own.truth(0)[10]) == []
        deciding.undo(store, wrong.uid)
        marking.know_length(store, own.ids["closed"], ends, 2 * float(np.hypot(x, y)))
        after = locate.locate(store, "W03", own.ids["closed"]).carried[0].band
        assert before is not None
        assert after is not None
        assert np.median(after.half) == pytest.approx(np.median(before.half), rel=0.25)


def test_all_marks_of_a_picture_are_carried(scene: Scene) -> None:
    with Store(scene.archive) as store:
        found = locate.locate(store, scene.ids["inside-1"], scene.ids["closed"])
        assert [each.mark.of for each in found.carried] == ["W03", "W07"]


def test_a_pair_without_support_is_refused(scene: Scene) -> None:
    with Store(scene.archive) as store:
        found = locate.locate(store, "W03", scene.ids["other"])
        assert found.refusal is not None
        assert found.refusal.reason in (Reason.TOO_FEW, Reason.UNCERTAIN, Reason.AMBIGUOUS, Reason.CROWDED)
        assert found.carried == ()
        with pytest.raises(UsageError, match="full size"):
            template.pdf(store, found)


@pytest.fixture(scope="module")
def turned(scene: Scene, tmp_path_factory: pytest.TempPathFactory) -> Scene:
    """The same with two more pictures of the closed skin: taken upside down, and that one mirrored."""
    folder = tmp_path_factory.mktemp("turned")
    shutil.copytree(scene.archive.root, folder / "scene")
    rng = np.random.default_rng(9)
    cam = scenes.view(tilt=14, azimuth=150, roll=186, field_mm=420, size=(1600, 1200))
    state = replace(scenes.bench(rng, scenes.cutting_mat(rng), hard=0.5), on_flange=0)
    image = scenes.render(scene.model, state, cam, closed=True)
    (folder / "bench").mkdir()
    for name, shown in (("upside-down", image), ("mirrored", image[:, ::-1])):
        cv2.imwrite(str(folder / "bench" / f"{name}.jpg"), shown, [cv2.IMWRITE_JPEG_QUALITY, 90])
    made = archive.open_at(folder / "scene")
    with Store(made, by="ada") as store, ThreadPoolExecutor(2) as executor:
        ingest(store, [folder / "bench"], executor=executor)
        found = pictures.by_rids(store.catalogue, [int(rid) for rid in store.columns.rid])
    ids = {Path(each.file).stem: each.id for each in found}
    both = replace(scene, archive=made, ids=ids, cams={**scene.cams, "upside-down": cam, "mirrored": _mirror(cam)})
    x, y = np.array(scene.model.half) * 0.9
    with Store(made, by="ada") as store:
        for name in ("upside-down", "mirrored"):
            marking.mark(store, ids[name], "outline", both.outline(name))
            at = both.skin(name, np.array([[-x, -y], [x, -y], [x, y]]))
            marking.know_length(store, ids[name], at[:2], 2 * x)
            marking.know_length(store, ids[name], at[1:], 2 * y)
    return both


def _mirror(cam: scenes.View) -> scenes.View:
    flip = np.array([[-1.0, 0, cam.size[0] - 1], [0, 1, 0], [0, 0, 1]])
    return replace(cam, matrix=flip @ cam.matrix)


def _tie(store: Store, of: Scene, name: str) -> None:
    """Mark the same places along the flange in the inside picture and in that one, where both show them."""
    x, y = np.array(of.model.half) * 0.93
    on = np.array([[-x, -y], [0, -y], [x, -y], [x, 0], [x, y], [0, y], [-x, y], [-x, 0]])
    pairs = np.stack([of.skin("inside-1", on), of.skin(name, on)], axis=1)
    pairs = pairs[((pairs >= 0) & (pairs < [1600, 1200])).all(axis=(1, 2))]
    assert len(pairs) >= 6
    marking.tie(store, of.ids["inside-1"], of.ids[name], pairs.tolist())


@pytest.mark.parametrize("by_hand", [False, True])
def test_a_skin_that_is_upside_down_is_no_other_place(turned: Scene, tmp_path: Path, by_hand: bool) -> None:
    of = _own(turned, tmp_path)
    with Store(of.archive, by="ada") as store:
        if by_hand:
            _tie(store, of, "upside-down")
        found = locate.locate(store, "W03", of.ids["upside-down"])
        assert found.refusal is None
        truth = of.truth(0, on="upside-down")
        gaps = [locate.under(found, point)[0] for point in truth]
        assert np.mean([gap.to_band_mm <= 0 for gap in gaps]) >= 0.95
        assert np.median([gap.to_line_mm for gap in gaps]) < 1


@pytest.mark.parametrize("by_hand", [False, True])
def test_a_mirrored_skin_is_never_given_as_right(turned: Scene, tmp_path: Path, by_hand: bool) -> None:
    of = _own(turned, tmp_path)
    with Store(of.archive, by="ada") as store:
        if by_hand:
            _tie(store, of, "mirrored")
        found = locate.locate(store, "W03", of.ids["mirrored"])
        assert found.refusal is not None
        assert found.carried == ()
        assert found.refusal.help
        if by_hand:
            assert found.refusal.reason is Reason.MIRRORED


def test_what_cannot_be_asked_is_said(scene: Scene, run: Callable[..., tuple[int, str]]) -> None:
    on = scene.ids["closed"]
    for words, said in (
        (("locate", "W05", "--on", on), "W05 is marked on no inside picture"),
        (("locate", "W03", "--on", scene.ids["inside-1"], "--inside", scene.ids["inside-1"]), "not found on itself"),
        (("locate", "W03", "--on", on, "--margin", "nan"), "a margin of nan mm cannot be"),
        (("locate", "W03", "--on", on, "--margin", "51"), "a margin of 51 mm cannot be"),
        (("locate", "W03", "--on", on, "--at", "nan,3"), "'nan,3' is no point"),
        (("locate", "W03", "--on", on, "--at", "1700,3"), f"a point lies outside {on}"),
        (("length", on, "5,5", "5,1300"), f"a point lies outside {on}"),
        (("length", on, "5,5"), "1 point was given"),
    ):
        code, told = run(scene, *words)
        assert (code, "Traceback" in told) == (2, False)
        assert said in " ".join(told.split())


@pytest.mark.parametrize(
    ("points", "what"),
    [
        ([[1, 2]], "1 point was given"),
        ([[1, 2], [9999, 3]], "lies outside"),
        ([[1, float("nan")], [2, 3]], "two numbers"),
        ([[5, 5], [5, 5], [5, 5]], "the same place"),
    ],
)
def test_bad_marks_are_not_kept(scene: Scene, points: list[list[float]], what: str) -> None:
    with Store(scene.archive) as store:
        before = decisions.last_seq(store.catalogue)
        with pytest.raises(UsageError, match=what):
            marking.mark(store, scene.ids["closed"], "trace", points)
        with pytest.raises(UsageError, match="on one line"):
            marking.mark(store, scene.ids["closed"], "outline", [[10, 10], [500, 500], [1000, 1000]])
        with pytest.raises(UsageError, match="cannot be"):
            marking.know_depth(store, "W03", 99999)
        assert decisions.last_seq(store.catalogue) == before


def test_depth_is_that_of_the_nearest_thing_said(own: Scene) -> None:
    with Store(own.archive) as store:
        plan = store.plan
        sub = next(each for each in plan.runs if each.id == "W05").subassemblies[0]
        assert locate.depth_of(store, "W05")[1]
        marking.know_depth(store, sub, 12.0)
        assert locate.depth_of(store, "W05")[0].mm == 12
        marking.know_depth(store, "W05", 0, least=2, most=6)
        deep, said = locate.depth_of(store, "W05")
        assert (deep.least, deep.most, said) == (2, 6, [])
        deciding.undo(store)
        assert locate.depth_of(store, "W05")[0].mm == 12


def test_a_run_of_several_subassemblies_lies_in_each_at_its_own_depth(own: Scene) -> None:
    with Store(own.archive, by="ada") as store:
        subs = next(each for each in store.plan.runs if each.id == "W07").subassemblies
        assert len(subs) > 1
        one, other = subs[:2]
        deciding.undo(store, marking.know_depth(store, "W07", 1.0).uid)
        marking.know_depth(store, one, 2.0, 0.25)
        deep, said = locate.depth_of(store, "W07")
        assert deep.mm == 2
        assert other in " ".join(said)
        assert "where it may lie otherwise" in " ".join(said)
        for sub in subs[1:]:
            marking.know_depth(store, sub, 11.5, 0.5)
        deep, said = locate.depth_of(store, "W07")
        assert (deep.least, deep.most, said) == (1.5, 12.5, [])
        assert locate.depth_of(store, "W07", [one])[0].mm == 2
        assert locate.depth_of(store, "W07", [other])[0].mm == 11.5
        # What the inside picture shows decides which of them is meant.
        deciding.tag(store, [own.ids["inside-1"]], [deciding.Target(Dimension.SUBASSEMBLY, other)])
        found = locate.locate(store, "W07", own.ids["closed"], inside=own.ids["inside-1"])
        assert f"{other}: 11.5" in found.carried[0].depth.basis or "seen" in found.carried[0].depth.basis


def test_one_end_taken_for_the_other_is_told_without_an_outline_too(own: Scene) -> None:
    """Six ties turned by half a turn fit each other perfectly; what the pictures show lies elsewhere."""
    x, y = np.array(own.model.half) * [0.8, 0.9]
    places = np.array([[-x, -y], [x, -y], [x, y], [-x, y], [0, -y], [0, y]])
    with Store(own.archive, by="ada") as store:
        for name in ("inside-1", "closed"):
            for uid in [each.decision for each in marking.marks(store, own.ids[name]) if each.shape == "outline"]:
                deciding.undo(store, uid)
        for turned, told in ((1, False), (-1, True)):
            pairs = np.stack([own.skin("inside-1", places), own.skin("closed", turned * places)], axis=1)
            made = marking.tie(store, own.ids["inside-1"], own.ids["closed"], pairs)
            found = locate.locate(store, "W03", own.ids["closed"], inside=own.ids["inside-1"])
            assert (found.refusal is not None) is told
            if found.refusal is not None:
                assert found.refusal.reason is Reason.DISAGREE
            deciding.undo(store, made.uid)


def test_ties_without_an_outline_say_that_nothing_checks_them(bent: tuple[Scene, camera.Lens]) -> None:
    own, lens = bent
    with Store(own.archive, by="ada") as store:
        assert "No outline of the model" in " ".join(locate.locate(store, "W03", own.ids["closed"]).said)
        marking.mark(store, own.ids["closed"], "outline", lens.bend(own.outline("closed")))
        assert "No outline of the model" not in " ".join(locate.locate(store, "W03", own.ids["closed"]).said)


def test_places_in_mm_that_cannot_lie_so_draw_no_band(own: Scene, run: Callable[..., tuple[int, str]]) -> None:
    x, y = np.array(own.model.half) * 0.8
    mm = np.array([[-x, -y], [x, -y], [x, y], [-x, y], [0, -y], [0, y]])
    closed = own.ids["closed"]
    at = own.skin("closed", mm)
    with Store(own.archive, by="ada") as store:
        right = marking.know_plane(store, closed, at, mm + 200)
        assert locate.locate(store, "W03", closed).carried[0].band is not None
        deciding.undo(store, right.uid)
        wrong = mm + 200
        wrong[1, 0] /= 10
        marking.know_plane(store, closed, at, wrong)
        found = locate.locate(store, "W03", closed)
        assert found.carried[0].band is None
        assert "the known places contradict each other" in " ".join(found.said)
    code, out = run(own, "length", closed, "300,300", "900,300")
    assert code == 2
    assert "the known places contradict each other" in out


@pytest.mark.parametrize("mm", [0.0, 1e-320, 1e-4, -1.0, 1e6, float("nan"), float("inf")])
def test_a_length_that_nothing_has_is_refused(own: Scene, mm: float) -> None:
    with Store(own.archive, by="ada") as store, pytest.raises(UsageError, match="cannot be"):
        marking.know_length(store, own.ids["closed"], [(10, 10), (500, 10)], mm)


def test_the_plan_may_say_how_deep_things_lie(own: Scene, run: Callable[..., tuple[int, str]], tmp_path: Path) -> None:
    with Store(own.archive) as store:
        sub = next(each for each in store.plan.runs if each.id == "W05").subassemblies[0]
        text = planning.save(store, "toml")
        key = f'[[subassembly]]\nid = "{sub}"\n'
        assert key in text
        planning.load(store, text.replace(key, key + "depth_mm = 7\n"), "plan.toml")
        deep, said = locate.depth_of(store, "W05")
        assert (deep.mm, deep.within) == (7, locate.PLANNED_WITHIN_MM)
        assert "known of BHD-11, not of MAST" in " ".join(said)
        assert "by the plan" in deep.basis
        # What a person said of it since wins; a range in the plan is a range.
        marking.know_depth(store, sub, 12.0)
        assert locate.depth_of(store, "W05")[0].mm == 12
        deciding.undo(store)
        planning.load(store, text.replace(key, key + "depth_mm = 4\ndepth_to_mm = 15\n"), "plan.toml")
        deep, _ = locate.depth_of(store, "W05")
        assert (deep.least, deep.most) == (4, 15)
    code, out = run(own, "plan", "show")
    assert code == 0
    assert "4 to 15 mm below the skin" in out


def test_marks_ties_and_sizes_survive_a_rebuild_and_an_undo(own: Scene) -> None:
    inside, closed = own.ids["inside-1"], own.ids["closed"]
    with Store(own.archive, by="ada") as store:
        marking.tie(store, inside, closed, [[[10.5, 20], [30, 40]], [[50, 60], [70, 80.25]]])
        first = [(each.shape, each.of, each.points.tolist()) for each in marking.marks(store, inside)]
        last = marking.mark(store, inside, "point", [[5, 6]], label="check  here")
        assert marking.marks(store, inside)[-1].label == "check here"
        deciding.undo(store, last.decision)
    with ThreadPoolExecutor(2) as executor:
        rebuild.rebuild(own.archive, executor=executor)
    with Store(own.archive) as store:
        assert [(each.shape, each.of, each.points.tolist()) for each in marking.marks(store, inside)] == first
        b, a, _ = marking.ties(store, closed, inside)
        assert a.tolist() == [[10.5, 20], [50, 60]]
        assert b.tolist() == [[30, 40], [70, 80.25]]
        assert [each.what for each in marking.knowns(store, closed)] == ["length", "length"]


# ------------------------------------------------------------------------------------------------ files


def test_the_template_is_at_full_size(scene: Scene, tmp_path: Path) -> None:
    """The bar of the template is 50 mm: read back from the PDF's own drawing orders, 72 points an inch (ISO 32000)."""
    with Store(scene.archive) as store:
        found = locate.locate(store, "W03", scene.ids["closed"])
        plain, turned = template.pdf(store, found), template.pdf(store, found, mirror=True)
        assert template.pdf(store, found) == plain
    path = tmp_path / "w03.pdf"
    path.write_bytes(plain)
    text = subprocess.run(["pdftotext", str(path), "-"], capture_output=True, text=True, check=True).stdout
    flat = " ".join(text.split())
    assert "50 mm: measure this bar" in flat
    assert "keep outside the marked band" in flat
    assert "MIRRORED" not in flat
    path.write_bytes(turned)
    text = subprocess.run(["pdftotext", str(path), "-"], capture_output=True, text=True, check=True).stdout
    assert "MIRRORED, for the opposite half" in " ".join(text.split())
    # Drawn at 254 dots an inch, ten to the millimetre: the bar's black and white fields are 100 dots wide each.
    path.write_bytes(plain)
    subprocess.run(
        ["pdftoppm", "-r", "254", "-gray", "-f", "1", "-l", "1", str(path), str(tmp_path / "page")], check=True
    )
    from PIL import Image

    page = np.asarray(Image.open(next(tmp_path.glob("page*.pgm"))))
    bottom = page.shape[0] - round(10 * (template.EDGE + template.FOOT - 8 + 1.5))
    row = page[bottom, : round(10 * (template.EDGE + 52))] < 128
    runs = np.flatnonzero(np.diff(row.astype(int)) != 0)
    assert runs[-1] - runs[0] == pytest.approx(500, abs=6)


def test_what_the_answer_rests_on_stands_on_the_sheet_too(scene: Scene, tmp_path: Path) -> None:
    """Whoever drills holds the template, not the screen."""
    with Store(scene.archive) as store:
        found = locate.locate(store, "W03", scene.ids["closed"])
        words = "With four points only, nothing can show that one of them is wrong: mark two more."
        path = tmp_path / "w03.pdf"
        path.write_bytes(template.pdf(store, replace(found, said=(words,))))
    text = subprocess.run(["pdftotext", str(path), "-"], capture_output=True, text=True, check=True).stdout
    assert words in " ".join(text.split())
    assert "keep outside the marked band" in " ".join(text.split())


def test_places_on_the_template_are_as_far_apart_as_on_the_model(own: Scene, tmp_path: Path) -> None:
    """Read back by where pdftotext finds the words beside the crosses, 72 points an inch (ISO 32000)."""
    across, down = np.array(own.model.half) * 0.675
    corners = np.array([[-across, -down], [across, -down], [across, down], [-across, down]])
    ends = own.skin("inside-1", corners), own.skin("closed", corners)
    with Store(own.archive, by="ada") as store:
        marking.tie(store, own.ids["inside-1"], own.ids["closed"], np.stack(ends, axis=1))
        found = locate.locate(store, "W03", own.ids["closed"], inside=own.ids["inside-1"])
        plain, turned = template.pdf(store, found), template.pdf(store, found, mirror=True)
    band = found.carried[0].band
    assert band is not None
    middle = band.line[len(band.line) // 2]
    path = tmp_path / "w03.pdf"
    sides = []
    sense = []  # of three places on one sheet, against how they lie in the outside picture: 1 alike, -1 turned over
    for made in (plain, turned):
        path.write_bytes(made)
        told = subprocess.run(["pdftotext", "-bbox", str(path), "-"], capture_output=True, text=True, check=True).stdout
        for page in told.split("<page ")[1:]:
            words = re.findall(r'>tie</word>\s*<word xMin="([\d.]+)" yMin="([\d.]+)"[^>]*>(\d)</word>', page)
            at = {int(name): np.array([float(x), float(y)]) * 25.4 / 72 for x, y, name in words}
            sides += [
                (float(np.linalg.norm(at[a] - at[b])), float(np.linalg.norm(corners[a - 1] - corners[b - 1])))
                for a, b in ((1, 2), (2, 3), (3, 4), (4, 1))
                if a in at and b in at
            ]
            # The run's own name stands at its middle; further down the sheet only words follow.
            label = re.search(r'xMin="([\d.]+)" yMin="([\d.]+)"[^>]*>W03<', page)
            if label and float(label[2]) < 600 and len(at) > 1:
                (a, b), name = sorted(at)[:2], np.array([float(label[1]), float(label[2])]) * 25.4 / 72
                paper, seen = _turn(at[a], at[b], name), _turn(ends[1][a - 1], ends[1][b - 1], middle)
                sense.append((made is turned, int(np.sign(paper * seen))))
    assert set(sense) == {(False, 1), (True, -1)}, "as it is looked at; with --mirror turned over"
    assert len(sides) >= 2
    for paper, model in sides:
        assert paper == pytest.approx(model, abs=0.8)


def _turn(a: scenes.Floats, b: scenes.Floats, c: scenes.Floats) -> float:
    """Which way round three places lie: the sign of the area between them."""
    return float((b - a)[0] * (c - a)[1] - (b - a)[1] * (c - a)[0])


def test_overlays_show_the_caution_and_never_promise(scene: Scene) -> None:
    with Store(scene.archive) as store:
        found = locate.locate(store, "W03", scene.ids["closed"])
        drawing = overlay.svg(found)
        assert overlay.png(found).startswith(b"\x89PNG")
        # However much there is to say, the strip below the picture has room for it and for the caution, which is last.
        more = replace(found, said=(*found.said, *(f"Remark {n}, as there may be several." for n in range(12))))
        plain, said = (Image.open(io.BytesIO(overlay.png(one))).convert("L") for one in (found, more))
        assert said.height == plain.height + 12 * 18
        foot = np.asarray(said)[-50:]
        assert (foot[:36] < 90).any(axis=1).sum() >= 16, "two lines of letters"
        assert (foot[-8:] > 200).all(), "and below them nothing that is cut off"
    root = ElementTree.fromstring(drawing)
    words = " ".join(text for text in root.itertext() if text.strip())
    assert " ".join(words.split()).endswith(CAUTION)
    assert "safe" not in words.lower()
    assert "style=" not in drawing


# ------------------------------------------------------------------------------------------------ commands


def test_locate_as_json(scene: Scene, run: Callable[..., tuple[int, str]]) -> None:
    x, y = scene.truth(0)[10]
    code, out = run(scene, "locate", "W03", "--on", scene.ids["closed"], "--at", f"{x:.1f},{y:.1f}", "--json")
    told: dict[str, Any] = json.loads(out)
    assert code == 0
    assert told["registered"]
    assert told["runs"][0]["half_width_mm"] < 2
    assert told["under"][0]["inside_band"]
    assert told["caution"] == CAUTION
    assert "safe" not in out.replace("unsafe", "")


def test_locate_writes_all_three(scene: Scene, run: Callable[..., tuple[int, str]], tmp_path: Path) -> None:
    files = [tmp_path / f"w03.{kind}" for kind in ("png", "svg", "pdf")]
    options = [word for path in files for word in (f"--{path.suffix[1:]}", path)]
    code, out = run(scene, "locate", "W03", "--on", scene.ids["closed"], *options)
    assert code == 0
    assert all(path.stat().st_size > 1000 for path in files)
    assert "use a depth stop" in out


def test_a_refusal_is_a_finding(scene: Scene, run: Callable[..., tuple[int, str]]) -> None:
    code, out = run(scene, "locate", "W03", "--on", scene.ids["other"])
    assert code == 1
    assert "Not registered" in out
    assert CAUTION in out


def test_mark_follows_a_wire_and_tie_lists_residuals(own: Scene, run: Callable[..., tuple[int, str]]) -> None:
    line = own.run("inside-1", 2)
    ends = [f"{x:.1f},{y:.1f}" for x, y in (line[3], line[12])]
    code, out = run(own, "mark", own.ids["inside-1"], "trace", *ends, "--of", "W05", "--follow", "--json")
    told = json.loads(out)
    assert code == 0
    away = [float(np.linalg.norm(line - np.array(point), axis=1).min()) for point in told["points"]]
    assert np.median(away) < 25  # the truth is given every 6th point only: half a step apart
    pairs = [
        f"{a[0]:.1f},{a[1]:.1f}={b[0]:.1f},{b[1]:.1f}"
        for a, b in zip(own.outline("inside-1")[:3], own.outline("closed")[:3], strict=True)
    ]
    code, out = run(own, "tie", own.ids["inside-1"], own.ids["closed"], *pairs)
    assert "3 ties" in out
    code, out = run(own, "mark", own.ids["inside-1"], "trace", "1,x")
    assert code == 2
    assert "is no point" in out


def test_align_changes_sameview_and_length(scene: Scene, run: Callable[..., tuple[int, str]], tmp_path: Path) -> None:
    one, two, closed, other = (scene.ids[name] for name in ("inside-1", "inside-2", "closed", "other"))
    code, out = run(scene, "align", one, closed, "--json", "--out", tmp_path / "a.jpg")
    assert code == 0
    matrix = np.array(json.loads(out)["matrix"])
    places = np.array([[-100.0, -50.0], [90.0, 40.0]])
    seen = np.column_stack([scene.skin("inside-1", places), np.ones(2)]) @ matrix.T
    assert np.linalg.norm(seen[:, :2] / seen[:, 2:] - scene.skin("closed", places), axis=1).max() < 8
    assert (tmp_path / "a.jpg").stat().st_size > 1000
    code, out = run(scene, "align", one, other)
    assert code == 1
    assert "Not aligned" in out
    code, out = run(scene, "changes", one, closed, "--json", "--out", tmp_path / "c.jpg")
    assert code == 0
    assert json.loads(out)["places"]
    code, out = run(scene, "sameview", one, "--json")
    same = {each["picture"] for each in json.loads(out)["same"]}
    assert two in same
    assert other not in same
    x, y = np.array(scene.model.half) * 0.5
    ends = [f"{p[0]:.1f},{p[1]:.1f}" for p in scene.skin("closed", np.array([[-x, -y], [x, -y]]))]
    code, out = run(scene, "length", closed, *ends, "--json")
    told = json.loads(out)
    assert abs(told["length_mm"] - 2 * x) < told["within_mm"]
    code, out = run(scene, "length", other, "1,1", "9,9")
    assert code == 2
    assert "nothing gives" in out


@pytest.mark.parametrize("factor", [0.1, 0.6])
def test_a_length_is_not_measured_by_lengths_that_contradict_each_other(
    own: Scene, run: Callable[..., tuple[int, str]], factor: float
) -> None:
    x, y = np.array(own.model.half) * 0.9
    ends = own.skin("closed", np.array([[-x, -y], [x, y]]))
    points = [f"{p[0]:.1f},{p[1]:.1f}" for p in ends]
    closed, true = own.ids["closed"], 2 * float(np.hypot(x, y))
    code, out = run(own, "length", closed, *points, "--json")
    told = json.loads(out)
    # Two lengths that cross say how much it is tilted, three towards where: so much stays open along a diagonal.
    assert told["scale_basis"] == "2 known lengths"
    assert abs(told["length_mm"] - true) < told["within_mm"] < 0.08 * true
    with Store(own.archive, by="ada") as store:
        wrong = marking.know_length(store, closed, ends, factor * true)
    code, out = run(own, "length", closed, *points)
    assert code == 2
    assert f"{factor * true:g} mm" in out.partition("contradict each other")[0]
    assert "take it back" in out
    with Store(own.archive, by="ada") as store:
        deciding.undo(store, wrong.uid)
        # Places in mm are believed over lengths, and asked of them too.
        corners = own.skin("closed", np.array([[-x, -y], [x, -y], [x, y], [-x, y]]))
        marking.know_plane(store, closed, corners, np.array([[0, 0], [x, 0], [x, y], [0, y]]) * 2 / 10)
    code, out = run(own, "length", closed, *points)
    assert code == 2
    assert "4 places in mm contradict each other" in out


def test_two_planes_are_not_mixed_up(scene: Scene) -> None:
    """Two open pictures share the floor as well as the flange: which of them is meant is asked, not guessed."""
    with Store(scene.archive) as store:
        found = aligning.align(store, scene.ids["inside-1"], scene.ids["inside-2"])
        assert found.refusal is not None
        assert found.refusal.reason is Reason.AMBIGUOUS


def test_calibrate_says_what_is_missing(scene: Scene, run: Callable[..., tuple[int, str]]) -> None:
    code, out = run(scene, "calibrate", scene.ids["closed"], "--board", "9x6")
    assert code == 2
    assert "one known camera" in out or "seen whole in 0 photos" in out


def test_the_aligned_picture_is_the_first_ones_size(scene: Scene) -> None:
    with Store(scene.archive) as store:
        found = aligning.align(store, scene.ids["inside-1"], scene.ids["closed"])
        assert aligning.aligned_picture(found, 600).startswith(b"\xff\xd8")


def test_before_and_after_are_laid_over_each_other_and_kept(own: Scene) -> None:
    with Store(own.archive, by="ada") as store:
        made = aligning.before_after(store, own.ids["inside-1"], own.ids["closed"])
        assert (made.aligned, made.reason) == (True, "")
        with Image.open(store.archive.derived / made.name) as image:
            assert image.size == made.size == (1600, 1200)
        matrix = np.array(made.matrix)
        skin = np.array([[-60.0, -20.0], [60.0, -20.0], [60.0, 20.0], [-60.0, 20.0]])
        carried = plane.transfer(matrix, own.skin("inside-1", skin))
        away = np.linalg.norm(carried - own.skin("closed", skin), axis=1)
        assert away.max() < 4 * made.error_px + 2
        assert made.places, "a lid came on"
        for place in made.places:
            assert all(0 <= x <= 1 and 0 <= y <= 1 for x, y in place.outline)
            left, top, width, height = place.box
            assert min(left, top) >= 0
            assert max(left + width, top + height, place.share) <= 1
        # Kept, and read from there; made again where the file is gone or damaged; another answer once more is said.
        assert aligning.before_after(store, own.ids["inside-1"], own.ids["closed"]) == made
        files = sorted((store.archive.derived / "aligned").rglob("*.*"))
        assert [each.suffix for each in files] == [".jpg", ".json"]
        files[0].unlink()
        files[1].write_text("[")
        assert aligning.before_after(store, own.ids["inside-1"], own.ids["closed"]) == made
        tied = own.skin("inside-1", skin), own.skin("closed", skin)
        marking.tie(store, own.ids["inside-1"], own.ids["closed"], np.stack(tied, axis=1))
        assert aligning.before_after(store, own.ids["inside-1"], own.ids["closed"]).name != made.name


def test_before_and_after_say_why_not(own: Scene) -> None:
    with Store(own.archive, by="ada") as store:
        apart = aligning.before_after(store, own.ids["inside-1"], own.ids["other"])
        assert (apart.aligned, apart.name, apart.places) == (False, "", ())
        assert all((apart.reason, apart.why, apart.help))
        assert aligning.before_after(store, own.ids["inside-1"], own.ids["other"]) == apart
        with pytest.raises(UsageError):
            aligning.before_after(store, own.ids["closed"], own.ids["closed"])
        # One that cannot be read any more is an answer, too.
        shutil.rmtree(store.archive.derived)
        shutil.rmtree(store.archive.root / "originals")
        gone = aligning.before_after(store, own.ids["inside-1"], own.ids["closed"])
        assert gone.reason == "unreadable"
        assert all((gone.why, gone.help))


# ------------------------------------------------------------------------------------------------ calibrated lenses


@pytest.fixture
def bent(own: Scene, monkeypatch: pytest.MonkeyPatch) -> tuple[Scene, camera.Lens]:
    """The same bench through a lens that bends by several per cent at the corner, and was calibrated: every place is
    where that lens would have put it. Nothing is outlined, so that what the pictures show does not count."""
    focal = own.cams["closed"].focal
    lens = camera.Lens(focal, 0.006, np.array([799.5, 599.5]), (1600, 1200), "calibrated", np.array([-0.3, 0, 0, 0, 0]))
    monkeypatch.setattr(picturing, "lens", lambda store, picture, size: camera.scaled(lens, size))
    across, down = np.array(own.model.half) * [0.8, 0.93]
    corners = np.array([[-across, -down], [across, -down], [across, down], [-across, down]])
    places = np.vstack([corners, (corners + np.roll(corners, 1, axis=0)) / 2])
    with Store(own.archive, by="ada") as store:
        for name in ("inside-1", "inside-2", "closed"):
            said = [each.decision for each in marking.marks(store, own.ids[name])]
            for uid in said + [each.decision for each in marking.knowns(store, own.ids[name])]:
                deciding.undo(store, uid)
        inside, closed = own.ids["inside-1"], own.ids["closed"]
        pairs = np.stack([lens.bend(own.skin(name, places)) for name in ("inside-1", "closed")], axis=1)
        marking.tie(store, inside, closed, pairs)
        marking.mark(store, inside, "trace", lens.bend(own.run("inside-1", 0)), "W03")
        at = lens.bend(own.skin("closed", corners))
        marking.know_length(store, closed, at[:2], 2 * across)
        marking.know_length(store, closed, at[1:3], 2 * down)
    return own, lens


def test_a_calibrated_lens_bends_the_line_its_band_and_what_is_pointed_at(bent: tuple[Scene, camera.Lens]) -> None:
    own, lens = bent
    with Store(own.archive) as store:
        found = locate.locate(store, "W03", own.ids["closed"])
    (carried,) = found.carried
    band = carried.band
    edge = carried.edge
    assert band is not None
    assert edge is not None
    truth = lens.bend(own.truth(0))
    assert np.abs(truth - own.truth(0)).max() > 8, "the lens matters here"
    gaps = np.array([np.linalg.norm(carried.line - place, axis=1).min() for place in truth])
    assert np.median(gaps) < 4
    # The drawn edge lies around the drawn line, as far from it on either side.
    rim = edge.astype(np.float32).reshape(-1, 1, 2)
    inward = [cv2.pointPolygonTest(rim, (float(x), float(y)), True) for x, y in carried.line]
    pixel = float(np.linalg.norm(np.diff(own.skin("closed", np.array([[0.0, 0], [1, 0]])), axis=0)))
    assert np.allclose(inward, band.half * pixel, rtol=0.25, atol=1.5)
    for place in carried.line[:: len(carried.line) // 5]:
        (near,) = locate.under(found, place)
        assert near.to_line_mm < 0.3


def test_what_lies_over_another_picture_is_bent_as_that_one_is(bent: tuple[Scene, camera.Lens]) -> None:
    own, lens = bent
    corners = np.array([[-0.9, -0.9], [0.9, -0.9], [0.9, 0.9], [-0.9, 0.9]])
    places = np.array(own.model.half) * np.vstack([corners, corners / 2, [[0, 0]]])
    with Store(own.archive) as store:
        found = aligning.align(store, own.ids["inside-1"], own.ids["closed"])
    assert found.matrix is not None
    seen = plane.transfer(found.matrix, lens.bend(own.skin("inside-1", places)))
    off = np.linalg.norm(seen - lens.bend(own.skin("closed", places)), axis=1)
    assert off.max() < 2 * found.error_px
    assert np.median(off) < 4


def test_without_a_length_the_line_is_bent_too(bent: tuple[Scene, camera.Lens]) -> None:
    own, lens = bent
    with Store(own.archive, by="ada") as store:
        for each in marking.knowns(store, own.ids["closed"]):
            deciding.undo(store, each.decision)
        marking.mark(store, own.ids["inside-1"], "trace", lens.bend(own.skin("inside-1", SKIN_LINE)), "W10")
        (carried,) = locate.locate(store, "W10", own.ids["closed"]).carried
    assert carried.band is None
    truth = lens.bend(own.skin("closed", SKIN_LINE))
    assert max(float(np.linalg.norm(carried.line - place, axis=1).min()) for place in truth) < 4


SKIN_LINE = np.column_stack([np.linspace(-120, 120, 30), np.full(30, 70.0)])


def test_a_calibration_holds_at_its_own_focal_length(own: Scene) -> None:
    """Phones have several lenses under one name, and others zoom: by Exif 0xA405 they are told apart."""
    with Store(own.archive, by="ada") as store:
        picture = replace(pictures.find(store.catalogue, own.ids["closed"]), camera="Rill 4")
        size = (picture.width, picture.height)
        told = picturing.focal_35(store, picture)
        assert told is not None
        by_exif = picturing.lens(store, picture, size)
        assert by_exif.basis == f"Exif: {told:g} mm equivalent"

        def calibrated(share: float, focal_35: float | None, k1: float) -> str:
            lens = replace(by_exif, focal=by_exif.focal * share, distortion=np.array([k1, 0, 0, 0, 0]))
            known = camera.Calibration(lens, 0.2, 9, ())
            return marking.know_lens(store, "Rill 4", known, focal_35).uid

        def bend() -> float:
            return float(picturing.lens(store, picture, size).distortion[0])

        wide = calibrated(0.5, told / 2, -0.3)
        assert bend() == 0, "of the other lens"
        calibrated(1.02, told, -0.1)
        assert bend() == -0.1
        calibrated(2.0, told * 2, -0.2)
        assert bend() == -0.1, "the newest that holds"
        calibrated(1.04, None, -0.05)
        assert bend() == -0.05, "whose photos did not say, and which is not far off"
        calibrated(1.3, None, -0.07)
        assert bend() == -0.05
        deciding.undo(store, wide)
        silent = replace(picture, kind=PictureKind.STILL)
        assert picturing.lens(store, silent, size).distortion[0] == -0.07, "a still does not say, so the newest holds"


def test_a_board_at_several_focal_lengths_is_no_calibration(
    own: Scene, run: Callable[..., tuple[int, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    focals = {own.ids["closed"]: 26.0, own.ids["other"]: 52.0}
    real = pictures.find
    monkeypatch.setattr(pictures, "find", lambda catalogue, typed: replace(real(catalogue, typed), camera="Rill 4"))
    monkeypatch.setattr(picturing, "focal_35", lambda store, picture: focals[picture.id])
    code, out = run(own, "calibrate", *focals, "--board", "9x6")
    assert code == 2
    assert "at several focal lengths, 26 to 52 mm" in out
    assert "without zoom" in out


def test_a_picture_that_something_was_cut_off_has_a_wide_band_and_says_so(own: Scene, tmp_path: Path) -> None:
    """Its middle is not where the camera looked: taken as whole, the band would be narrow and beside the run."""
    box = (0, 200, 1300, 1200)
    whole = next(own.archive.originals.rglob("closed.jpg"))
    with Image.open(whole) as image:
        image.crop(box).save(tmp_path / "cut.jpg", quality=92, exif=image.getexif())
    with Store(own.archive, by="ada") as store, ThreadPoolExecutor(2) as executor:
        ingest(store, [tmp_path / "cut.jpg"], executor=executor)
        every = pictures.by_rids(store.catalogue, pictures.every_rid(store.catalogue))
        cut = next(each.id for each in every if each.file == "cut.jpg")
        x, y = np.array(own.model.half) * 0.54
        corners = own.skin("closed", np.array([[-x, -y], [x, -y], [x, y]])) - box[:2]
        marking.know_length(store, cut, corners[:2], 2 * x)
        marking.know_length(store, cut, corners[1:], 2 * y)
        places = np.array(own.model.half) * np.array(
            [[-0.6, -0.9], [0.6, -0.9], [0.6, 0.9], [-0.6, 0.9], [0, 0.9], [0, -0.9]]
        )
        pairs = np.stack([own.skin("inside-1", places), own.skin("closed", places) - box[:2]], axis=1)
        marking.tie(store, own.ids["inside-1"], cut, pairs)
        found = locate.locate(store, "W03", cut, inside=own.ids["inside-1"])
    (carried,) = found.carried
    assert carried.band is not None
    assert "something was cut off" in " ".join(found.said)
    assert "a picture that something was cut off" in found.registration.lens_basis[1]
    truth = own.truth(0) - box[:2]
    seen = truth[(truth > 0).all(axis=1) & (truth < [box[2] - box[0], box[3] - box[1]]).all(axis=1)]
    assert len(seen) > 5
    for place in seen:
        assert locate.under(found, place)[0].to_band_mm < 0


@pytest.mark.parametrize(
    ("size", "taken", "cut"),
    [
        ((4032, 3024), (4032, 3024), False),
        ((3024, 4032), (4032, 3024), False),  # turned
        ((1600, 1200), (4032, 3024), False),  # reduced
        ((4032, 2268), (4032, 3024), True),
        ((1234, 1000), (1234, 1000), False),  # whatever it is, it is as it was taken
        ((4288, 2848), None, False),  # 3 : 2 with some pixels more
        ((4080, 3072), None, False),
        ((1920, 1080), None, False),
        ((1300, 1050), None, True),
        ((2000, 1100), None, True),
    ],
)
def test_what_looks_cut(size: tuple[int, int], taken: tuple[int, int] | None, cut: bool) -> None:
    """Shapes of sensors and screens: 4 : 3, 3 : 2, 16 : 9 (ITU-R BT.709), 1 : 1; Exif 2.32 4.6.5, PixelXDimension."""
    assert camera.looks_cut(size, taken) is cut


def test_a_depth_beyond_all_belief_is_not_taken_from_two_traces(own: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    """Traced along another wire on the second picture, a run seems to lie far below the model."""
    seen = depth.Depth(37.7, 1.0, "seen from two sides")
    monkeypatch.setattr(locate, "_seen_from_elsewhere", lambda *given: (seen, []))
    with Store(own.archive, by="ada") as store:
        found = locate.locate(store, "W07", own.ids["closed"], inside=own.ids["inside-1"])
    assert "38 mm deep, which is not believed" in " ".join(found.said)
    assert "look whether both traces follow the same wire" in " ".join(found.said)
    assert (found.carried[0].depth.least, found.carried[0].depth.most) == (0.0, locate.DEEPEST_MM)


def test_what_cannot_be_asked_together_is_refused(own: Scene) -> None:
    with Store(own.archive, by="ada") as store:
        with pytest.raises(UsageError, match="another inside picture"):
            locate.locate(store, own.ids["inside-1"], own.ids["closed"], inside=own.ids["inside-2"])
        marking.know_marker(store, "36h11-586", 22.0, stays=True)
        with pytest.raises(UsageError, match="no marker 36h11-587"):  # the family has 587 (AprilTag 3)
            marking.know_marker(store, "36h11-587", 22.0, stays=True)


def test_a_template_says_what_it_is_lined_up_by(own: Scene, tmp_path: Path) -> None:
    def words() -> str:
        with Store(own.archive) as store:
            found = locate.locate(store, "W03", own.ids["closed"], inside=own.ids["inside-1"])
            (tmp_path / "t.pdf").write_bytes(template.pdf(store, found))
        told = subprocess.run(["pdftotext", tmp_path / "t.pdf", "-"], capture_output=True, text=True, check=True).stdout
        return " ".join(told.split())

    assert "Dashed: outline, to line up by." in words(), "it hangs together by what matches by itself: no points"
    assert "Crosses in circles" not in words()
    places = np.array(own.model.half) * np.array([[-0.6, -0.6], [0.6, -0.6], [0.6, 0.6], [-0.6, 0.6]])
    with Store(own.archive, by="ada") as store:
        pairs = np.stack([own.skin("inside-1", places), own.skin("closed", places)], axis=1)
        marking.tie(store, own.ids["inside-1"], own.ids["closed"], pairs)
    assert "Crosses in circles: points to line up by. Dashed: outline." in words()


# ------------------------------------------------------------------------------------------------ which and how wide


def test_what_is_under_a_place_comes_nearest_first(scene: Scene) -> None:
    """All marks of a picture are carried; a place on either run names that run first."""
    with Store(scene.archive) as store:
        found = locate.locate(store, scene.ids["inside-1"], scene.ids["closed"])
    assert {each.mark.of for each in found.carried} == {"W03", "W07"}
    for carried in found.carried:
        near = locate.under(found, carried.line[len(carried.line) // 2])
        assert len(near) == 2
        assert near[0].carried is carried
        assert near[0].to_band_mm < 0 < near[0].to_line_mm + 0.1
        assert near[0].to_band_mm < near[1].to_band_mm


def test_a_run_longer_than_its_wire_was_cut_gets_no_band(own: Scene) -> None:
    with Store(own.archive, by="ada") as store:
        length = locate.locate(store, "W03", own.ids["closed"]).carried[0].length_mm
        assert length is not None
        text = PLAN.read_text(encoding="utf-8")
        for share, held in ((0.95, True), (0.6, False)):
            run = re.compile(r'(id = "W03"\n(?:.+\n)*?cut_length_mm = )\d+')
            assert run.search(text)
            planning.load(store, run.sub(rf"\g<1>{round(share * length)}", text), "plan.toml")
            found = locate.locate(store, "W03", own.ids["closed"])
            assert (found.carried[0].band is not None) is held
            assert ("cut" in " ".join(found.said)) is not held


def test_tied_pictures_are_asked_before_newer_ones(own: Scene) -> None:
    """Of many, only a few are asked: where a person has tied one, that is one of them."""
    across, down = np.array(own.model.half) * 0.6
    corners = np.array([[-across, -down], [across, -down], [across, down], [-across, down]])
    with Store(own.archive, by="ada") as store:
        outside = pictures.find(store.catalogue, own.ids["closed"])
        newest = [each.id for each in locate._marked(store, "W07", outside)]
        assert newest == [own.ids["inside-2"], own.ids["inside-1"]]
        ends = own.skin("inside-1", corners), own.skin("closed", corners)
        marking.tie(store, own.ids["inside-1"], own.ids["closed"], np.stack(ends, axis=1))
        assert [each.id for each in locate._marked(store, "W07", outside)] == newest[::-1]


def test_half_a_bundle_is_half_of_what_the_plan_says_or_its_gauge(scene: Scene) -> None:
    """30 AWG is 0.255 mm bare (ASTM B258); outer over bare diameter 2.2 is common practice, no source."""
    with Store(scene.archive) as store:
        run = next(each for each in store.plan.runs if each.id == "W03")
    assert locate.half_bundle(replace(run, outer_mm=2.4)) == pytest.approx(1.2)
    assert locate.half_bundle(replace(run, outer_mm=None, gauge_awg=30)) == pytest.approx(0.255 * 2.2 / 2, rel=0.01)
    assert locate.half_bundle(replace(run, outer_mm=None, gauge_awg=None)) == locate.HALF_BUNDLE_MM
    assert locate.half_bundle(None) == locate.HALF_BUNDLE_MM


def test_of_two_inside_pictures_that_which_answers_is_taken(own: Scene) -> None:
    """W07 is traced on both. The newer one is tied, so it is asked first; its ties are exchanged, so it is refused."""
    across, down = np.array(own.model.half) * 0.6
    corners = np.array([[-across, -down], [across, -down], [across, down], [-across, down]])
    ends = own.skin("inside-2", corners), own.skin("closed", corners)[[1, 0, 2, 3]]
    with Store(own.archive, by="ada") as store:
        marking.tie(store, own.ids["inside-2"], own.ids["closed"], np.stack(ends, axis=1))
        alone = locate.locate(store, "W07", own.ids["closed"], inside=own.ids["inside-2"])
        found = locate.locate(store, "W07", own.ids["closed"])
    assert alone.refusal is not None
    assert found.inside.id == own.ids["inside-1"]
    assert found.refusal is None
    assert found.others == (own.ids["inside-2"],)


def test_the_drawn_band_lies_around_the_drawn_line(scene: Scene) -> None:
    """As others read the drawing: its polygon is the band's edge, its line runs inside it."""
    with Store(scene.archive) as store:
        found = locate.locate(store, "W03", scene.ids["closed"])
    (carried,) = found.carried
    assert carried.band is not None
    drawn, _, scale = overlay.drawn(found)
    rim = drawn[0].edge
    assert rim is not None
    inward = [cv2.pointPolygonTest(rim.astype(np.float32), (float(x), float(y)), True) for x, y in drawn[0].line]
    pixel = float(np.linalg.norm(np.diff(scene.skin("closed", np.array([[0.0, 0], [1, 0]])), axis=0))) * scale
    assert np.allclose(inward, carried.band.half * pixel, rtol=0.25, atol=1.5)


def test_the_outline_on_a_template_is_straightened(bent: tuple[Scene, camera.Lens]) -> None:
    own, lens = bent
    corners = np.array(own.model.half) * np.array([[-0.85, -0.9], [0.85, -0.9], [0.85, 0.9], [-0.85, 0.9]])
    with Store(own.archive, by="ada") as store:
        marking.mark(store, own.ids["closed"], "outline", lens.bend(own.skin("closed", corners)))
        found = locate.locate(store, "W03", own.ids["closed"])
        outline = template._outline(store, found)
    assert outline is not None
    for on_paper, on_model in zip(outline, corners, strict=True):
        for other, there in zip(outline, corners, strict=True):
            wanted = float(np.linalg.norm(on_model - there))
            assert float(np.linalg.norm(on_paper - other)) == pytest.approx(wanted, rel=0.01, abs=1e-6)


def test_a_click_is_as_exact_as_the_picture_is_large(bent: tuple[Scene, camera.Lens]) -> None:
    """1.3 of 1600 pixels, in whatever size a picture is worked on."""
    own, _ = bent
    with Store(own.archive) as store:
        inside, closed = (pictures.find(store.catalogue, own.ids[name]) for name in ("inside-1", "closed"))
        for edge in (1600, 800):
            one, two = (picturing.load(store, each, edge) for each in (inside, closed))
            hung = registering.register(store, one, two)
            assert hung.ties.sigma == pytest.approx(1.3 * edge / 1600)


def test_ties_are_kept_and_told_where_a_picture_cannot_be_read(
    own: Scene, run: Callable[..., tuple[int, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(store: Store, picture: object, edge: int = 0) -> Loaded:
        raise ArchiveError("closed.jpg is not where it was", "Put it back.")

    inside, closed = own.ids["inside-1"], own.ids["closed"]
    assert json.loads(run(own, "tie", inside, closed, "--json")[1])["ties"] == []
    monkeypatch.setattr(picturing, "load", gone)
    code, out = run(own, "tie", inside, closed, "100,100=120,110")
    assert code == 1
    assert "tie 1: 100,100 = 120,110" in out
    assert "1 tie kept. How well they fit cannot be told: closed.jpg is not where it was." in out
    code, out = run(own, "tie", inside, closed, "--json")
    told = json.loads(out)
    assert (code, told["registered"], len(told["ties"]), told["help"]) == (1, False, 1, "Put it back.")
