"""Closings on a real archive: refused, waived, released, closed, looked at; taken back, rebuilt; and by command."""

from __future__ import annotations

import json
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from lastlook import approvals, bonding, closing_check, deciding, planning, recording
from lastlook.acts import Act
from lastlook.archive import Archive
from lastlook.catalogue import decisions, dump, grouped, pictures, tags
from lastlook.cli.main import main
from lastlook.closing.graph import Sight
from lastlook.closing.records import State, ViewKind
from lastlook.closing_facts import gather
from lastlook.deciding import Target
from lastlook.errors import UsageError
from lastlook.rebuild import rebuild
from lastlook.records import Dimension, Picture
from lastlook.store import Store
from tests import bench_archive

RUN = [Target(Dimension.RUN, "W03")]
Run = Callable[..., "Told"]


@pytest.fixture
def own(tmp_path: Path) -> Archive:
    """O4 and O1 are shut, without a check; closing O2 hides what lies in the hull."""
    made = bench_archive.make(tmp_path)
    with Store(made, by="ada") as store:
        deciding.close(store, "O1", "2026-03-31 11:15")
    return made


@pytest.fixture
def store(own: Archive) -> Any:
    with Store(own, by="ada") as opened:
        yield opened


def all_pictures(store: Store) -> list[Picture]:
    return pictures.by_rids(store.catalogue, pictures.every_rid(store.catalogue))


def waive_everything(store: Store, opening: str, at: str) -> None:
    for line in closing_check.check(store, opening, at).lines:
        if line.open and line.key != f"{opening}:release":
            recording.waive(store, opening, line.subject, Act(at, "M. Holm"), reason="rehearsal", what=line.what)


# ------------------------------------------------------------------------------------------------ closing


def test_closing_with_lines_open_is_refused_and_recorded_as_such_only_when_asked(store: Store) -> None:
    at = "2026-04-09 11:44"
    refused = closing_check.close(store, "O2", at)
    assert refused.decision is None
    assert not refused.check.ready
    assert not decisions.live(store.catalogue, "close", "O2")
    closed = closing_check.close(store, "O2", at, "epoxy", with_gaps=True)
    assert closed.decision is not None
    body: dict[str, Any] = dict(closed.decision.body)
    assert body["check"]["ready"] is False
    assert body["check"]["counts"]["gap"] > 0
    plan = decisions.last_live(store.catalogue, "plan")
    assert plan is not None
    assert body["plan"] == plan.uid
    look = closing_check.last_look(store, "O2")
    assert look.frozen
    assert look.gaps
    with pytest.raises(UsageError, match="closed already"):
        closing_check.close(store, "O2", at)


def test_a_release_over_open_lines_is_refused_until_each_is_waived_by_name(store: Store) -> None:
    at = "2026-04-09 11:00"
    with pytest.raises(UsageError, match="cannot be released"):
        recording.release(store, "O2", Act(at, "M. Holm"))
    waive_everything(store, "O2", at)
    with pytest.raises(UsageError, match="nobody is named"):
        recording.release(store, "O2", Act(at))
    released = recording.release(store, "O2", Act(at, "M. Holm"), words="all seen or waived")
    body: dict[str, Any] = dict(released.body)
    assert body["waived"], "the record says that it was released against waivers"
    closed = closing_check.close(store, "O2", "2026-04-09 11:44")
    assert closed.decision is not None
    assert closed.check.ready
    assert closed.check.count(State.WAIVED) == len(body["waived"])
    assert {one.person for one in closing_check.waivers(store, ["O2"])} == {"M. Holm"}


def test_a_waiver_needs_a_reason_a_name_and_something_that_is_open(store: Store) -> None:
    act = Act("2026-04-09 11:00", "M. Holm")
    with pytest.raises(UsageError, match="needs a reason"):
        recording.waive(store, "O2", "W03", act, reason="  ")
    with pytest.raises(UsageError, match="nobody is named"):
        recording.waive(store, "O2", "W03", Act("2026-04-09"), reason="none")
    with pytest.raises(UsageError, match="nothing is open"):
        recording.waive(store, "O2", "W03", act, reason="none", what="left")
    _, covered = recording.waive(store, "O2", "W03", act, reason="sealed unit")
    assert {line.subject for line in covered} == {"W03"}
    with pytest.raises(UsageError, match="nothing is open"):
        recording.waive(store, "O2", "W03", act, reason="again")


def test_a_step_is_released_only_when_its_own_lines_are_met(store: Store) -> None:
    hold = next(step for step in store.plan.steps if step.hold.value == "hold")
    with pytest.raises(UsageError, match="cannot be released"):
        recording.release(store, hold.id, Act("2026-03-26 11:00", "M. Holm"))
    recording.done(store, hold.id, Act("2026-03-26 10:00"))
    recording.release(store, hold.id, Act("2026-03-26 11:00", "M. Holm"))
    with pytest.raises(UsageError, match="neither a step nor an opening"):
        recording.release(store, "W03", Act("", "M. Holm"))


def test_a_closing_without_a_check_stays_readable(store: Store) -> None:
    look = closing_check.last_look(store, "O4")  # closed by `deciding.close`, as earlier versions did
    assert look.closing is not None
    assert not look.frozen
    assert {one.item for one in look.looks} == set(closing_check.check(store, "O4").hides)


def test_what_was_frozen_stays_as_it_was(store: Store) -> None:
    first = all_pictures(store)[0]
    recording.view(store, [first.id], RUN, ViewKind.CONTEXT)
    closing_check.close(store, "O2", "2026-04-09 11:44", with_gaps=True)
    before = closing_check.last_look(store, "O2")
    recording.change(store, "W03", "re-routed", Act("2026-03-25"))
    deciding.untag(store, [first.id], RUN)
    assert closing_check.last_look(store, "O2").looks == before.looks


def test_the_last_look_at_a_run_is_that_of_the_closing_that_hid_it(store: Store) -> None:
    assert closing_check.last_look(store, "W03").closing is None, "it can still be seen"
    closing_check.close(store, "O2", "2026-04-09 11:44", with_gaps=True)
    found = closing_check.last_look(store, "w03")
    assert (found.id, found.frozen) == ("W03", True)
    assert found.closing is not None
    assert found.closing.opening == "O2"
    state = next(one for one in closing_check.hidden(store).items if one.id == "W03")
    assert state.sight is Sight.HIDDEN
    with pytest.raises(UsageError, match="it is done, not hidden"):
        closing_check.last_look(store, store.plan.steps[0].id)


@pytest.mark.parametrize("at", ["", "2026-04-12"])
def test_a_test_that_is_due_again_after_closing_can_be_waived_then(store: Store, at: str) -> None:
    recording.record_test(store, "W03", "polarity", True, Act("2026-03-26"), value=4.98, unit="V", instrument="m")
    closing_check.close(store, "O2", "2026-04-09 11:44", with_gaps=True)

    def again() -> State:
        return next(one.state for one in closing_check.check(store, "O2").retests if one.key == "W03:retest:polarity")

    assert again() is State.GAP
    recording.waive(store, "O2", "W03", Act(at, "M. Holm"), reason="connector taken", what="retest:polarity")
    assert again() is State.WAIVED
    deciding.undo(store)
    recording.record_test(
        store, "W03", "polarity", True, Act("2026-04-10"), value=4.97, unit="V", instrument="m", through="J1"
    )
    assert again() is State.PASSED


# ------------------------------------------------------------------------------------------------ recording


def test_a_view_says_that_the_picture_shows_the_item_and_no_takes_it_back(store: Store) -> None:
    third = next(one for one in all_pictures(store) if one.time.known and "W03" not in one.counted(Dimension.RUN))
    recording.change(store, "W03", "lengthened", Act("2026-03-24 13:30"))
    decision, shown = recording.view(store, [third.id], RUN, ViewKind.CLOSE, ends=["TO"], sharp=True)
    assert shown[0].said(Dimension.RUN) == ("W03",)
    key = "W03:to"
    at = "2026-04-09"

    def to_line() -> State:
        return next(line.state for line in closing_check.check(store, "O2", at).lines if line.key == key)

    assert to_line() is State.PASSED
    deciding.untag(store, [third.id], RUN)
    assert to_line() is State.GAP
    deciding.undo(store)
    assert to_line() is State.PASSED
    deciding.undo(store, decision.uid)
    assert "W03" not in pictures.by_rids(store.catalogue, [third.rid])[0].counted(Dimension.RUN)


def test_a_joint_cannot_be_bonded_in_time_to_come(store: Store) -> None:
    """Said a year too late it would have no hold now; a day that has begun is none to come."""
    bonding.adhesive(store, "EPOXY-SLOW", {"full_cure_h": 24})
    with pytest.raises(UsageError, match="still to come") as refused:
        bonding.bond(store, "O4", "epoxy-slow", "2999-03-27 11:29")
    assert "clock of this computer" in refused.value.hint
    bonding.bond(store, "O4", "epoxy-slow", "today")
    assert len(closing_check.hidden(store).holds) == 1


@pytest.mark.parametrize("celsius", [float("nan"), float("inf"), -60.0])
def test_a_bond_at_no_temperature_is_refused(store: Store, celsius: float) -> None:
    """A figure that is no number would pass every comparison with the sheet's minimum."""
    bonding.adhesive(store, "EPOXY-SLOW", {"full_cure_h": 24, "minimum_c": 15})
    with pytest.raises(UsageError, match="must lie between -50 and 200"):
        bonding.bond(store, "O4", "epoxy-slow", "2026-03-27 11:29", figures={"temperature_c": celsius})


@pytest.mark.parametrize(
    ("act", "said"),
    [
        (lambda s, p: recording.view(s, [p], [], ViewKind.CLOSE), "needs pictures"),
        (lambda s, p: recording.view(s, [p], RUN, ViewKind.CONTEXT, ends=["to"]), "proved by a close view"),
        (lambda s, p: recording.view(s, [p], RUN, ViewKind.CLOSE, ends=["left"]), "“from” or “to”"),
        (lambda s, p: recording.view(s, [p], RUN, ViewKind.CLOSE, crossings=["O5"]), "does not cross"),
        (lambda s, p: recording.view(s, [p], RUN, ViewKind.CLOSE, region=(0, 0, 9999, 9)), "does not lie in"),
        (
            lambda s, p: recording.view(s, [p], [Target(Dimension.SUBASSEMBLY, "MAST")], ViewKind.CLOSE, ends=["to"]),
            "only runs have ends",
        ),
        (lambda s, p: recording.change(s, "W03", "polished", Act()), "no kind of change"),
        (lambda s, p: recording.change(s, "O4", "replaced", Act()), "no subassembly, run or part"),
        (lambda s, p: recording.change(s, "W03", "lengthened", Act(), length_mm=-3), "cannot be negative"),
        (lambda s, p: recording.change(s, "MAST", "replaced", Act(), length_mm=3), "only a run has"),
        (lambda s, p: recording.change(s, "W03", "replaced", Act(), colour="XX"), "no colour code"),
        (lambda s, p: recording.measure(s, "W03", "girth", 3, Act()), "no measure"),
        (lambda s, p: recording.measure(s, "W03", "tail", float("nan"), Act()), "cannot be negative"),
        (lambda s, p: recording.record_test(s, "W03", "Ω", True, Act()), "cannot be the name of a test"),
        (lambda s, p: recording.record_test(s, "W03", "soak", True, Act(), value=float("inf")), "no number"),
        (lambda s, p: recording.record_test(s, "W03", "polarity", True, Act(), value=4.98), "the figure has no unit"),
        (
            lambda s, p: recording.record_test(s, "W03", "polarity", True, Act(), value=5, unit="volts"),
            "'volts' is no unit that is known here",
        ),
        (
            lambda s, p: recording.record_test(s, "W03", "continuity", True, Act(), value=5, unit="mA"),
            "mA is a unit of current; this is a resistance, in Ω",
        ),
        (lambda s, p: deciding.close(s, "O2", "2026-04-09", "x" * 501), "500 is the most"),
        (lambda s, p: bonding.bond(s, "O4", "glue", "2026-03-27"), "no adhesive 'glue'"),
        (lambda s, p: bonding.adhesive(s, "a b", {}), "cannot name an adhesive"),
        (lambda s, p: bonding.adhesive(s, "A", {"full_cure_h": -1}), "more than 0"),
        (lambda s, p: bonding.adhesive(s, "A", {"full_cure_h": 0}), "more than 0"),
        (lambda s, p: bonding.adhesive(s, "A", {"full_cure_h": 1e308}), "at most 87660"),
        (lambda s, p: bonding.adhesive(s, "A", {"pot_life_min": 10**400}), "no usable number"),
        (lambda s, p: bonding.adhesive(s, "A", {"full_cure_h": 7.2, "handling_h": 24}), "would come before"),
        (lambda s, p: bonding.adhesive(s, "A", {"minimum_c": -300}), "must lie between -50 and 200"),
        (lambda s, p: recording.done(s, "S80", Act("yesterweek")), "yesterweek"),
        (lambda s, p: recording.done(s, "S80", Act("2999-03-27 11:00")), "still to come"),
        (lambda s, p: closing_check.close(s, "O2", "2999-03-27", with_gaps=True), "still to come"),
        (lambda s, p: deciding.reopen(s, "O4", "2999-03-27"), "still to come"),
        (lambda s, p: recording.done(s, "S80", Act(), words="x" * 3000), "2000 is the most"),
        (lambda s, p: recording.done(s, "S80", Act("", "x" * 3000)), "2000 is the most"),
    ],
)
def test_what_cannot_be_recorded_is_refused_and_leaves_nothing(
    store: Store, act: Callable[[Store, str], object], said: str
) -> None:
    before = decisions.last_seq(store.catalogue)
    with pytest.raises(UsageError, match=said):
        act(store, all_pictures(store)[0].id)
    assert decisions.last_seq(store.catalogue) == before


def test_nothing_comes_between_the_check_and_the_closing(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """Both are one transaction: what ends it in the middle leaves no closing, also not in the plain-text copy."""
    copy = store.archive.decisions
    before = decisions.last_seq(store.catalogue), copy.read_bytes() if copy.exists() else b""
    act = deciding._act

    def interrupted(*said: Any) -> Any:
        assert store.catalogue.in_transaction()
        act(*said)
        raise KeyboardInterrupt

    monkeypatch.setattr(deciding, "_act", interrupted)
    with pytest.raises(KeyboardInterrupt):
        closing_check.close(store, "O2", "2026-04-09 11:44", with_gaps=True)
    monkeypatch.setattr(deciding, "_act", act)
    assert (decisions.last_seq(store.catalogue), copy.read_bytes() if copy.exists() else b"") == before
    assert closing_check.close(store, "O2", "2026-04-09 11:44", with_gaps=True).decision is not None
    assert copy.read_bytes() != before[1]


def everything(store: Store) -> list[Any]:
    """One decision of every kind."""
    ids = [picture.id for picture in all_pictures(store)]
    hold = next(step for step in store.plan.steps if step.hold.value == "hold")
    made = [
        recording.change(store, "W03", "lengthened", Act("2026-03-24 13:30", "Ada"), why="taut", length_mm=690),
        recording.measure(store, "W03", "tail", 310, Act("2026-03-26")),
        recording.record_test(store, "W03", "polarity", True, Act("2026-03-26"), value=4.98, unit="V"),
        recording.view(store, [ids[1]], RUN, ViewKind.CLOSE, ends=["to"], region=(10, 10, 200, 150))[0],
        recording.done(store, hold.id, Act("2026-03-26")),
        recording.release(store, hold.id, Act("2026-03-27", "M. Holm"), words="seen"),
        recording.witness(store, hold.id, Act("2026-03-26", "the client"), attended=True),
        recording.waive(store, "O2", "HULL-F", Act("2026-04-01", "M. Holm"), reason="none")[0],
        bonding.adhesive(store, "EPOXY-SLOW", {"kind": "two-part epoxy", "full_cure_h": 72, "minimum_c": 15}),
        bonding.bond(store, "O4", "epoxy-slow", "2026-03-27 11:29", clamp_on="2026-03-27 11:35",
                       figures={"temperature_c": 19.0, "mass_g": 12.0}, words={"batch": "7741"}),
    ]  # fmt: skip
    closed = closing_check.close(store, "O2", "2026-04-09 11:44", "epoxy", with_gaps=True)
    assert closed.decision is not None
    return [*made, closed.decision]


def test_everything_is_taken_back_and_had_again(store: Store) -> None:
    before = tags.standing(store.catalogue, pictures.every_rid(store.catalogue))
    made = everything(store)
    assert {one.kind for one in made} == {
        *("change", "measure", "test", "view", "done", "release", "witness", "waiver", "adhesive", "bond", "close")
    }
    assert set(deciding.UNDOABLE) >= {one.kind for one in made}
    told = closing_check.check(store, "O2").lines
    undone = [deciding.undo(store, one.uid)[1] for one in reversed(made)]
    assert tags.standing(store.catalogue, pictures.every_rid(store.catalogue)) == before
    for one in made:
        assert not decisions.live(store.catalogue, one.kind) or one.kind == "close"
    for one in undone[::-1]:
        deciding.undo(store, one.uid)
    assert closing_check.check(store, "O2").lines == told


def test_a_rebuild_replays_every_kind_and_ends_in_the_same(own: Archive) -> None:
    with Store(own, by="ada") as store:
        everything(store)
        deciding.undo(store, decisions.live(store.catalogue, "measure")[0].uid)
        before, lines = dump.dump(store.catalogue), closing_check.check(store, "O2").lines
        look = closing_check.last_look(store, "O2")
    with ThreadPoolExecutor(2) as executor:
        rebuilt = rebuild(own, executor=executor)
    assert not rebuilt.problems
    with Store(own) as store:
        assert dump.dump(store.catalogue) == before
        assert closing_check.check(store, "O2").lines == lines
        assert closing_check.last_look(store, "O2") == look


def test_a_plan_never_drops_what_a_decision_refers_to(store: Store) -> None:
    recording.record_test(store, "W06", "polarity", True, Act("2026-03-26"))
    text = store.plan_text
    start = text.index('id = "W06"')
    begin, end = text.rindex("[[run]]", 0, start), text.index("[[", start)
    shorter = (text[:begin] + text[end:]).replace('"W06", ', "").replace(', "W06"', "")
    planning.load(store, shorter, "plan.toml")
    assert "W06" in store.plan.ids


def test_a_region_is_ranked_among_near_duplicates(own: Archive) -> None:
    with Store(own, by="ada") as store:
        picture = all_pictures(store)[0]
        decision, _ = recording.view(store, [picture.id], RUN, ViewKind.CLOSE, region=(10, 10, 100, 100))
        assert decision.body["shares"] == {}, "alone: nothing to rank it against"
        group = all_pictures(store)[:2]
        with store.catalogue.writing():
            grouped.set_groups(store.catalogue, {one.rid: group[0].rid for one in group})
        decision, _ = recording.view(store, [picture.id], RUN, ViewKind.CLOSE, region=(10, 10, 200, 200))
        shares: Any = decision.body["shares"]
        assert 0 < shares[picture.id] <= 1


def test_what_is_drawn_on_a_picture_says_where_it_is_judged(store: Store) -> None:
    picture = next(one for one in all_pictures(store) if one.time.known)
    body = {"picture": picture.id, "shape": "trace", "of": "W03", "label": "", "points": [[50.0, 60.0], [120.0, 80.0]]}
    with store.deciding():
        decisions.append(store.catalogue, "mark", body, by="ada")
    decision, _ = recording.view(store, [picture.id], RUN, ViewKind.CLOSE)
    assert decision.body["region"] == [44, 54, 82, 32], "the box around it, with a fiftieth of 320 px of room"
    later = gather(store, ["W03"]).seen["W03"][0]
    assert later.view.region == (44, 54, 82, 32)
    other = recording.view(store, [picture.id], [Target(Dimension.RUN, "W04")], ViewKind.CLOSE)[0]
    assert other.body["region"] is None


def test_what_is_drawn_later_is_measured_when_the_check_asks(store: Store) -> None:
    """Said before anything was drawn: the share is not in the decision, and is measured from the page view."""
    first, second = [one for one in all_pictures(store) if one.time.known][:2]
    with store.catalogue.writing():
        grouped.set_groups(store.catalogue, {one.rid: first.rid for one in (first, second)})
    decision, _ = recording.view(store, [first.id], [Target(Dimension.RUN, "W04")], ViewKind.CLOSE, ends=["to"])
    assert decision.body["shares"] == {}
    points = [[40.0, 40.0], [200.0, 160.0]]
    body = {"picture": first.id, "shape": "trace", "of": "W04", "label": "", "points": points}
    with store.deciding():
        decisions.append(store.catalogue, "mark", body, by="ada")
    line = next(one for one in closing_check.check(store, "O2", "2026-04-09").lines if one.key == "W04:to")
    assert "in the item's own region" in line.reason
    with store.catalogue.writing():
        grouped.set_groups(store.catalogue, {})
    line = next(one for one in closing_check.check(store, "O2", "2026-04-09").lines if one.key == "W04:to")
    assert line.state is State.UNDETERMINED
    assert "nothing to be ranked against" in line.reason


def test_a_waiver_after_the_closing_is_refused_for_what_was_due_before_it(store: Store) -> None:
    closing_check.close(store, "O2", "2026-04-09 11:44", with_gaps=True)
    with pytest.raises(UsageError, match="nothing is open") as told:
        recording.waive(store, "O2", "W03", Act("2026-04-10", "M. Holm"), reason="none", what="to")
    assert "said with its own time" in told.value.hint
    recording.waive(store, "O2", "W03", Act("2026-04-08", "M. Holm"), reason="entered later", what="to")


def test_words_said_for_the_minute_of_the_closing_leave_it_open(store: Store) -> None:
    at = "2026-04-09 11:00"
    waive_everything(store, "O2", at)
    recording.release(store, "O2", Act(at, "M. Holm"))
    refused = closing_check.close(store, "O2", at)
    assert refused.decision is None
    told = {line.key: line for line in refused.check.lines}
    assert told["O2:release"].state is State.UNDETERMINED
    assert told["W03:to"].state is State.GAP
    assert "give it a closer time" in told["W03:to"].reason
    assert closing_check.close(store, "O2", "2026-04-09 11:01").decision is not None


def test_the_answer_to_a_pack_is_the_approval_that_was_due(store: Store, tmp_path: Path) -> None:
    text = store.plan_text + (
        '\n[[step]]\nid = "S99"\ntitle = "Client sees it before closing"\nsubassembly = "MAST"\nkind = "approval"\n'
        'order = 89\nbefore = ["O2"]\n'
    )
    planning.load(store, text, "plan.toml")

    def line(at: str = "") -> Any:
        return next(one for one in closing_check.check(store, "O2", at).lines if one.key == "S99:approval")

    assert line().state is State.GAP
    picture = next(one for one in all_pictures(store) if one.page)
    pack = approvals.send(
        store, tmp_path / "a.html", point="client sees it before closing", wording="As shown?", picture_ids=[picture.id]
    )
    assert "no answer yet" in line().reason
    said = approvals.answer(store, pack.uid, "changes", words="darker, please", person="the museum")
    assert (line().state, "darker, please" in line().reason) == (State.GAP, True)
    approvals.answer(store, pack.uid, "yes", words="good", person="the museum")
    assert line().state is State.PASSED
    deciding.undo(store)
    assert line().state is State.GAP
    deciding.undo(store, said.uid)
    assert "no answer yet" in line().reason
    assert line("2026-04-01").state is State.GAP, "nothing had been sent by then"


def test_a_joints_temperature_is_a_figure_in_degrees_celsius(store: Store) -> None:
    for value, unit, said in (
        (None, "", "needs its figure"),
        (57.0, "°F", "reckoned in °C"),
        (999.0, "", "between -50"),
    ):
        with pytest.raises(UsageError, match=said):
            recording.record_test(store, "O4", "cure-temperature", True, Act(), value=value, unit=unit)
    assert recording.record_test(store, "O4", "cure temperature", True, Act(), value=14.0).body["unit"] == "°C"


def test_the_check_is_for_now_while_open_and_for_its_closing_once_shut(store: Store) -> None:
    now = datetime(2026, 4, 1, 12, tzinfo=UTC)
    assert closing_check.check(store, "o2", now=now).at.instant == now
    shut = closing_check.check(store, "O4", now=now)
    assert shut.shut
    assert shut.at.instant is not None
    assert shut.at.instant.date().isoformat() == "2026-03-27"
    assert not closing_check.check(store, "O4", "2026-03-20", now=now).shut


# ------------------------------------------------------------------------------------------------ commands


class Told:
    def __init__(self, code: int, out: str, err: str) -> None:
        self.code, self.out, self.err = code, out, err

    @property
    def json(self) -> Any:
        return json.loads(self.out)


@pytest.fixture
def run(own: Archive, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.setenv("LASTLOOK_BY", "ada")
    monkeypatch.setenv("LASTLOOK_ARCHIVE", str(own.root))

    def call(*arguments: object) -> Told:
        code = main(list(map(str, arguments)))
        out, err = capfd.readouterr()
        assert "Traceback" not in out + err
        return Told(code, out, err)

    return call


def test_a_closing_by_command(run: Run, tmp_path: Path) -> None:
    look = run("look", "W03").out
    assert "candidate    tagged with it; nobody has said how it shows it" in look
    assert "candidate candidate" not in " ".join(look.split())
    told = run("check", "O4", "--at", "2026-03-27 11:00")
    assert told.code == 1
    assert "Not ready:" in told.out
    assert "Caution: Uncured resin" in told.out
    found = run("check", "O4", "--at", "2026-03-27 11:00", "--json").json
    assert found["ready"] is False
    assert {"subject", "what", "title", "state", "reason", "shoot", "pictures", "candidates"} == set(found["lines"][0])
    assert run("close", "O2", "--at", "2026-04-09 11:44").code == 1
    assert "Nothing was recorded" in run("close", "O2", "--at", "2026-04-09 11:44").out
    assert run("close", "O2", "--at", "2026-04-09 11:44", "--json").json["decision"] is None
    closed = run("close", "O2", "--at", "2026-04-09 11:44", "--with-gaps", "--json")
    assert closed.code == 1
    assert closed.json["check"]["ready"] is False
    assert "with gaps" in run("history").out
    look = run("look", "O2", "--json").json
    assert look["frozen"] is True
    assert "Rule: For each way" in run("look", "O2").out


def test_records_by_command(run: Run, tmp_path: Path) -> None:
    id = run("find", "splice", "--json").json["hits"][0]["picture"]
    assert run("view", id, "--run", "w03", "--close", "--end", "to", "--sharp").code == 0
    assert run("view", id, "--run", "w03").code == 2, "close or context must be said"
    assert run("view", id, "--run", "w03", "--close", "--region", "1,2").code == 2
    assert run("change", "W03", "--kind", "lengthened", "--at", "2026-03-24 13:30", "--length", 690).code == 0
    assert run("measure", "W03", "--kind", "tail", "--mm", 310, "--json").json["mm"] == 310
    told = run("test", "W03", "--kind", "polarity", "--value", 4.98, "--unit", "V", "--pass")
    assert told.code == 0
    assert "W03 polarity passed 4.98 V" in told.out
    assert run("test", "W03", "--kind", "polarity").code == 2
    log = run("log", "w03", "--json").json["log"]
    assert [entry["what"].split(",")[0] for entry in log][-3:] == ["lengthened", "tail 310 mm", "polarity passed"]
    assert "lengthened" in run("log", "W03").out
    blank = run("adhesive", "blank").out
    assert run("adhesive", "blank", "--json").json == {"form": "toml", "text": blank}
    file = tmp_path / "adhesives.toml"
    file.write_text(blank.replace("# full_cure_h", "full_cure_h"), encoding="utf-8")
    assert run("adhesive", "load", file, "--json").json["loaded"] == ["EPOXY-SLOW"]
    assert run("adhesive", "load", file, "--json").json["loaded"] == [], "known already"
    assert "full cure 72 h" in run("adhesive", "list").out
    bond = run("bond", "O4", "--adhesive", "epoxy-slow", "--joined", "now", "--temperature", 23)
    assert "No load until" in bond.out
    assert "71 h" in bond.out or "3 days 0 h" in bond.out or "2 days 23 h" in bond.out
    hidden = run("hidden")
    assert "no load until" in hidden.out
    assert run("hidden", "--json").json["holds"][0]["target"] == "O4"
    assert "Caution: Do not move" in hidden.out
    assert "conductor" not in run("requirements").err
    assert run("witness", "S10", "--person", "the client").code == 2, "whether they came is never taken for granted"
    assert run("witness", "S10", "--person", "the client", "--told").code == 0
    open_ = run("check", "O2", "--open").out
    assert open_.count("look at first") == len({line for line in open_.splitlines() if "look at first" in line})
    assert run("requirements", "--json").json["defaults"][0]["key"] == "context"
    told = run("waive", "O2", "W03", "--what", "context", "--reason", "no line of sight", "--person", "M. Holm")
    assert told.code == 0, told.err
    assert "Covers 1 line: W03:context." in told.out
    assert run("waivers", "--json").json["waivers"][0]["person"] == "M. Holm"
    assert "M. Holm: no line of sight" in run("waivers", "O2").out
    undone = run("undo")
    assert "waived" in undone.out
    assert run("waivers").out == "Nothing was waived.\n"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[[adhesive]]\nid = 'A'\ncolour = 'x'\n", "there is no key 'colour'"),
        ("[[adhesive]]\nkind = 'x'\n", "id is missing"),
        ("[[adhesive]]\nid = 'A'\nfixture_h = '6'\n", "must be a number"),
        ("[[glue]]\nid = 'A'\n", "may hold [[adhesive]] tables only"),
        ("[[adhesive]\n", "is no TOML"),
    ],
)
def test_a_faulty_file_of_adhesives_is_told(run: Run, tmp_path: Path, text: str, said: str) -> None:
    file = tmp_path / "a.toml"
    file.write_text(text, encoding="utf-8")
    told = run("adhesive", "load", file)
    assert told.code == 2
    assert said in told.err
    assert run("adhesive", "load", tmp_path / "none.toml").code == 2
