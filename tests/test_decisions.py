"""Decisions: appended, taken back, taken back again; many people at once; and the plain-text copy of them."""

from __future__ import annotations

import json
import multiprocessing
import os
import shutil
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from lastlook import deciding, planning, verify
from lastlook.archive import Archive, open_at
from lastlook.catalogue import Catalogue, closings, decisions, media, pictures, plain, tags
from lastlook.deciding import Target
from lastlook.errors import ArchiveDamaged, ArchiveError, LastlookError, NoSuchId, UsageError
from lastlook.rebuild import rebuild
from lastlook.records import ClockCorrection, Decision, Dimension, TagState
from lastlook.store import Store
from tests import archives
from tests.archives import Inline, contents, photo, take


@pytest.fixture(scope="module")
def three(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    """Three photos of one camera; look, do not change."""
    folder = tmp_path_factory.mktemp("three")
    made = archives.make(folder / "lv40")
    for number in (1, 2, 3):
        photo(folder / "card" / f"IMG_{number}.jpg", 60 + number, f"2026:03:12 1{number}:00:00")
    take(made, folder / "card")
    return made


@pytest.fixture
def lv40(three: Archive, tmp_path: Path) -> Archive:
    shutil.copytree(three.root, tmp_path / "lv40")
    return open_at(tmp_path / "lv40")


def ids(store: Store) -> list[str]:
    return [picture.id for picture in pictures.by_rids(store.catalogue, pictures.every_rid(store.catalogue))]


def without_decisions(where: Archive) -> dict[str, Any]:
    found: dict[str, Any] = dict(contents(where))
    del found["decision"], found["decision_subject"]
    return found


# ------------------------------------------------------------------------------------------------ taking back


def test_nothing_is_ever_changed_or_removed(lv40: Archive) -> None:
    with Store(lv40, by="Ada") as store:
        before = contents(lv40)["decision"]
        one, _ = deciding.tag(store, ids(store), [Target(Dimension.RUN, "W03")])
        deciding.undo(store, one.uid)
    after = contents(lv40)["decision"]
    assert after[: len(before)] == before
    assert len(after) == len(before) + 2


def test_undo_restores_the_state_before_exactly(lv40: Archive) -> None:
    with Store(lv40, by="Ada") as store:
        states = [without_decisions(lv40)]
        acts: list[Callable[[], object]] = [
            lambda: deciding.tag(store, ids(store), [Target(Dimension.RUN, "W03")], "all three")[0],
            lambda: deciding.untag(store, ids(store)[:1], [Target(Dimension.RUN, "W03")])[0],
            lambda: deciding.close(store, "O4", "2026-03-27"),
            lambda: deciding.reopen(store, "O4", "2026-03-28"),
            lambda: deciding.correct_clock(store, ClockCorrection(_camera(store), error_s=60.0))[0],
            lambda: planning.load(store, archives.PLAN.replace("Lantern mast", "Lamp mast"), "plan").decision,
        ]
        for act in acts:
            act()
            states.append(without_decisions(lv40))
        for state in reversed(states[:-1]):
            deciding.undo(store)
            assert without_decisions(lv40) == state
        deciding.undo(store)  # the first plan: what the archive began with
        with pytest.raises(UsageError, match="nothing to take back"):
            deciding.undo(store)


def _camera(store: Store) -> str:
    return next(key for key, _ in media.cameras(store.catalogue) if key)


def test_undo_of_an_undo(lv40: Archive) -> None:
    with Store(lv40, by="Ada") as store:
        one, _ = deciding.tag(store, ids(store), [Target(Dimension.RUN, "W03")])
        tagged = without_decisions(lv40)
        _, undo = deciding.undo(store, one.uid[:8])
        _, undo_of_undo = deciding.undo(store, undo.uid)
        assert without_decisions(lv40) == tagged
        with pytest.raises(UsageError, match="already"):
            deciding.undo(store, undo.uid)
        deciding.undo(store, undo_of_undo.uid)
        assert decisions.is_undone(store.catalogue, one.uid)


def test_what_cannot_be_taken_back(lv40: Archive) -> None:
    with Store(lv40, by="Ada") as store:
        arrival = decisions.live(store.catalogue, "arrival")[0]
        with pytest.raises(UsageError, match="taking a file in"):
            deciding.undo(store, arrival.uid)
        with pytest.raises(NoSuchId):
            deciding.undo(store, "00000000")


def test_a_refused_request_leaves_nothing(lv40: Archive) -> None:
    with Store(lv40, by="Ada") as store:
        before = contents(lv40)
        for wrong in (
            lambda: deciding.tag(store, [], [Target(Dimension.RUN, "W03")]),
            lambda: deciding.tag(store, ids(store), []),
            lambda: deciding.tag(store, ["p0000000"], [Target(Dimension.RUN, "W03")]),
            lambda: deciding.tag(store, ids(store), [Target(Dimension.RUN, "W99")]),
            lambda: deciding.tag(store, ids(store), [], "x" * 2001),
            lambda: deciding.reopen(store, "O4", "2026-03-28"),
            lambda: deciding.close(store, "O4", "yesteryear"),
            lambda: deciding.correct_clock(store, ClockCorrection("No such camera")),
        ):
            with pytest.raises(LastlookError):
                wrong()
        assert contents(lv40) == before


# ------------------------------------------------------------------------------------------------ many at once


def _tag_some(root: str, by: str, count: int) -> int:
    with Store(open_at(Path(root)), by=by) as store:
        for number in range(count):
            deciding.tag(store, ids(store)[number % 3 :][:1], [], f"{by} {number}")
    return count


def test_several_processes_decide_at_once(lv40: Archive) -> None:
    with ProcessPoolExecutor(4, mp_context=multiprocessing.get_context("forkserver")) as pool:
        done = [pool.submit(_tag_some, str(lv40.root), by, 6) for by in ("Ada", "Grace", "Mary", "Hedy")]
        assert sum(future.result() for future in done) == 24
    with Catalogue(lv40.catalogue) as catalogue:
        made = decisions.live(catalogue, "tag")
    assert len(made) == 24
    assert {(one.by, one.body["caption"]) for one in made} == {
        (by, f"{by} {number}") for by in ("Ada", "Grace", "Mary", "Hedy") for number in range(6)
    }
    assert verify.verify(lv40).findings == ()


def _undo_one(root: str, uid: str) -> bool:
    with Store(open_at(Path(root)), by="Ada") as store:
        try:
            deciding.undo(store, uid)
        except UsageError:
            return False
    return True


def test_only_one_of_several_takes_the_same_back(lv40: Archive) -> None:
    with Store(lv40, by="Ada") as store:
        one, _ = deciding.tag(store, ids(store), [Target(Dimension.RUN, "W03")])
    with ProcessPoolExecutor(4, mp_context=multiprocessing.get_context("forkserver")) as pool:
        done = [pool.submit(_undo_one, str(lv40.root), one.uid) for _ in range(8)]
        assert sum(future.result() for future in done) == 1


# ------------------------------------------------------------------------------------------------ plain text

json_values = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)
instants = st.datetimes(datetime(1970, 1, 1), datetime(2200, 1, 1)).map(  # noqa: DTZ001
    lambda at: at.replace(tzinfo=UTC, microsecond=at.microsecond // 1000 * 1000)
)
some_decisions = st.builds(
    Decision,
    seq=st.integers(1, 2**40),
    uid=st.uuids().map(lambda uid: uid.hex),
    at=instants,
    by=st.text(max_size=20),
    kind=st.sampled_from(["of a later version", "of another", ""]),
    body=st.dictionaries(st.text(max_size=8), json_values, max_size=4),
    undoes=st.just("") | st.uuids().map(lambda uid: uid.hex),
)


@given(some_decisions)
def test_a_decision_survives_being_written(decision: Decision) -> None:
    line = plain.to_line(decision)
    assert line.count("\n") == 1
    assert line.endswith("\n")
    assert plain.from_line(line) == decision
    assert json.loads(line)["kind"] == decision.kind


@given(st.binary(max_size=200) | json_values.map(lambda value: json.dumps(value).encode()))
def test_a_line_that_is_no_decision_is_refused_and_never_crashes(line: bytes) -> None:
    with pytest.raises((ValueError, TypeError)):
        plain.from_line(line)


def test_deep_nesting_is_refused() -> None:
    with pytest.raises(ValueError, match="not a decision"):
        plain.from_line('{"seq":' + "[" * 100_000)


@pytest.mark.parametrize(
    ("kind", "body"),
    [
        ("tag", {"pictures": "p1", "set": [], "reject": []}),
        ("tag", {"set": [], "reject": []}),
        ("close", {"opening": "O4", "at": "2026-03-27", "earliest": "x", "latest": "x"}),
        ("clock", {"camera": "x", "error_s": "60"}),
        ("clock", {"camera": "x", "error_s": 60, "since": "2026-03-27T00:00:00Z"}),
        ("still", {"clip": "x", "clip_ms": True}),
        ("arrival", {"sha256": "x"}),
        ("plan", {}),
        ("plan", []),
    ],
)
def test_a_body_that_cannot_be_is_refused(kind: str, body: object) -> None:
    line = {"seq": 1, "uid": "a", "at": "2026-03-27T00:00:00Z", "by": "Ada", "kind": kind, "body": body}
    with pytest.raises((ValueError, TypeError)):
        plain.from_line(json.dumps(line))


@given(st.lists(some_decisions, max_size=8, unique_by=lambda one: one.uid), st.data())
def test_together_loses_none(every: list[Decision], data: st.DataObject) -> None:
    numbered = [Decision(n, one.uid, one.at, one.by, one.kind, one.body) for n, one in enumerate(every, start=1)]
    written = [one for one in numbered if data.draw(st.booleans())]
    held = [one for one in numbered if one not in written or data.draw(st.booleans())]
    assert plain.together(written, held) == numbered


def test_a_plain_file_that_cannot_be_written_says_so_and_loses_nothing(
    lv40: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    with Store(lv40, by="Ada") as store:
        with monkeypatch.context() as patch:
            patch.setattr(os, "fsync", full)
            with pytest.raises(ArchiveError, match="No space left") as error:
                deciding.close(store, "O4", "2026-03-27")
        assert "in the catalogue" in error.value.hint
        deciding.close(store, "O3", "2026-03-28")
    assert verify.verify(lv40).findings == ()


def test_an_unreadable_last_line_stops_deciding_until_it_is_mended(lv40: Archive) -> None:
    whole = lv40.decisions.read_bytes()
    lv40.decisions.write_bytes(whole[:-2] + b"#" + whole[-1:])
    with Store(lv40, by="Ada") as store:
        before = decisions.last_seq(store.catalogue)
        with pytest.raises(ArchiveDamaged, match="last line"):
            deciding.close(store, "O4", "2026-03-27")
        assert decisions.last_seq(store.catalogue) == before
    rebuild(lv40, executor=Inline())
    with Store(lv40, by="Ada") as store:
        deciding.close(store, "O4", "2026-03-27")
    assert verify.verify(lv40).findings == ()


# ------------------------------------------------------------------------------------------------ any sequence


class Builder(RuleBasedStateMachine):
    """A builder who decides this and that, against a model that knows only the rules: the last word on each thing
    stands, and what was taken back was never said."""

    three: Archive
    folder: Path
    number = 0

    def __init__(self) -> None:
        super().__init__()
        type(self).number += 1
        self.root = self.folder / str(self.number)
        shutil.copytree(self.three.root, self.root)
        self.archive = open_at(self.root)
        self.store = Store(self.archive, by="Ada")
        self.ids = ids(self.store)
        self.said: list[tuple[str, dict[str, Any]]] = []  # (uid, what was said) in order
        self.undone: set[str] = set()
        self.undoes: dict[str, str] = {}
        self.clock = datetime(2026, 3, 20, tzinfo=UTC)

    def teardown(self) -> None:
        self.store.close()
        shutil.rmtree(self.root)

    @initialize()
    def begin(self) -> None:
        self.camera = _camera(self.store)

    @rule(
        which=st.sets(st.integers(0, 2), min_size=1),
        run=st.sampled_from(["W03", "W04", "W05"]),
        yes=st.booleans(),
        caption=st.none() | st.sampled_from(["", "splice", "clamp off"]),
    )
    def tag(self, which: set[int], run: str, yes: bool, caption: str | None) -> None:
        chosen = [self.ids[number] for number in sorted(which)]
        target = [Target(Dimension.RUN, run)]
        if yes:
            made, _ = deciding.tag(self.store, chosen, target, caption)
        else:
            made, _ = deciding.untag(self.store, chosen, target)
            caption = None
        self.said.append((made.uid, {"pictures": chosen, "run": run, "yes": yes, "caption": caption}))

    @rule(opening=st.sampled_from(["O3", "O4"]))
    def close_or_reopen(self, opening: str) -> None:
        self.clock += timedelta(hours=1)
        at = self.clock.isoformat()
        if self._shut(opening):
            made = deciding.reopen(self.store, opening, at)
        else:
            made = deciding.close(self.store, opening, at)
        self.said.append((made.uid, {"opening": opening, "shut": made.kind == "close"}))

    @rule(seconds=st.sampled_from([-3600.0, 0.0, 90.0]))
    def set_clock(self, seconds: float) -> None:
        made, _ = deciding.correct_clock(self.store, ClockCorrection(self.camera, error_s=seconds))
        self.said.append((made.uid, {"clock": seconds}))

    @rule(title=st.sampled_from(["Lantern mast", "Lamp mast"]))
    def load_plan(self, title: str) -> None:
        text = archives.PLAN.replace('title = "Lantern mast"', f'title = "{title}"')
        made = planning.load(self.store, text, "plan").decision
        if made is not None:
            self.said.append((made.uid, {"title": title}))

    @rule(data=st.data())
    def undo(self, data: st.DataObject) -> None:
        standing = [uid for uid in [*(uid for uid, _ in self.said), *self.undoes] if uid not in self.undone]
        if not standing:
            return
        uid = data.draw(st.sampled_from(standing))
        _, made = deciding.undo(self.store, uid)
        self.undoes[made.uid] = uid
        state = True
        while uid:
            (self.undone.add if state else self.undone.discard)(uid)
            uid, state = self.undoes.get(uid, ""), not state

    @rule()
    def rebuild(self) -> None:
        before = contents(self.archive)
        self.store.close()
        rebuild(self.archive, executor=Inline())
        self.store = Store(self.archive, by="Ada")
        assert contents(self.archive) == before

    def _live(self) -> list[dict[str, Any]]:
        return [what for uid, what in self.said if uid not in self.undone]

    def _shut(self, opening: str) -> bool:
        found = closings.of_opening(self.store.catalogue, opening)
        return bool(found) and found[-1].reopened is None

    @invariant()
    def the_last_word_stands(self) -> None:
        wanted: dict[tuple[str, str], TagState] = {}
        captions = dict.fromkeys(self.ids, "")
        for what in self._live():
            for id in what.get("pictures", ()):
                wanted[id, what["run"]] = TagState.SET if what["yes"] else TagState.REJECTED
                if what["caption"] is not None:
                    captions[id] = what["caption"]
        found = pictures.by_rids(self.store.catalogue, pictures.every_rid(self.store.catalogue))
        assert {picture.id: picture.caption for picture in found} == captions
        stand = {
            (picture.id, tag.target): tag.state
            for picture in found
            for tag in picture.tags
            if tag.dimension is Dimension.RUN and tag.state is not TagState.PROPOSED
        }
        assert stand == wanted

    @invariant()
    def openings_follow_their_acts(self) -> None:
        for opening in ("O3", "O4"):
            acts = [what["shut"] for what in self._live() if what.get("opening") == opening]
            assert self._shut(opening) == bool(acts and acts[-1])

    @invariant()
    def the_clock_in_force_moves_the_times(self) -> None:
        from lastlook import retime

        clocks = [what["clock"] for what in self._live() if "clock" in what]
        assert [one.error_s for one in retime.corrections(self.store.catalogue, self.camera)] == clocks

    @invariant()
    def the_plain_text_follows(self) -> None:
        written, faults = plain.read_plain(self.archive.decisions)
        assert faults == []
        assert written == list(decisions.every(self.store.catalogue))


def test_any_sequence_of_decisions(three: Archive, tmp_path: Path) -> None:
    from hypothesis.stateful import run_state_machine_as_test

    Builder.three, Builder.folder = three, tmp_path
    run_state_machine_as_test(
        Builder,
        settings=settings(
            max_examples=12, stateful_step_count=14, deadline=None, suppress_health_check=list(HealthCheck)
        ),
    )


def test_standing_tags_are_read_back_as_written(lv40: Archive) -> None:
    with Store(lv40, by="Ada") as store:
        deciding.tag(store, ids(store)[:2], [Target(Dimension.RUN, "w-03")])
        found = tags.standing(store.catalogue, pictures.every_rid(store.catalogue))
        assert [[tag.target for tag in found.get(rid, ()) if tag.state is TagState.SET] for rid in (1, 2, 3)] == [
            ["W03"],
            ["W03"],
            [],
        ]
