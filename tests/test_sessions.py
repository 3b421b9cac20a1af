"""Sessions: folded from decisions, what they propose, and how people say them."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastlook import deciding, rebuild, sessions
from lastlook.archive import Archive
from lastlook.catalogue import pictures, placed
from lastlook.cli.main import main
from lastlook.deciding import Target
from lastlook.errors import NoSuchId, UsageError
from lastlook.records import CaptureTime, Decision, Dimension, Picture, TagState
from lastlook.store import Store
from lastlook.tagging.sessions import LONGEST, Session, fold, running
from tests import archives, bench_archive

NOW = datetime(2026, 3, 20, 18, 0, tzinfo=UTC)
MAST, STEP = Target(Dimension.SUBASSEMBLY, "MAST"), Target(Dimension.STEP, "S80")
START = datetime(2026, 3, 20, 12, 0, tzinfo=UTC)


def begun(uid: str, start: datetime, end: datetime | None = None) -> Decision:
    body = {
        "targets": [["subassembly", "MAST"]],
        "start": start.isoformat(),
        "end": end.isoformat() if end else None,
    }
    return Decision(1, uid, start, "ada", "session", body)


def stopped(uid: str, end: datetime) -> Decision:
    return Decision(2, f"stop-{uid}", end, "ada", "session-stop", {"session": uid, "end": end.isoformat()})


def test_a_session_ends_as_said_by_the_next_one_or_by_itself() -> None:
    hour = timedelta(hours=1)
    one, two, three = fold(
        [begun("a", START), begun("b", START + hour), stopped("b", START + 2 * hour), begun("c", START + 5 * hour)]
    )
    assert (one.end, one.stopped) == (START + hour, False)  # the next one began
    assert (two.end, two.stopped) == (START + 2 * hour, True)
    assert (three.end, three.stopped) == (START + 5 * hour + LONGEST, False)
    assert running((one, two, three), START + 6 * hour) == three
    assert running((one, two, three), START + 90 * timedelta(minutes=1)) is None
    # A stop before the start, or of a session that was taken back, changes nothing.
    assert fold([begun("a", START), stopped("a", START - hour), stopped("x", START)])[0].end == START + LONGEST


@given(st.lists(st.tuples(st.integers(0, 5000), st.integers(1, 900)), min_size=1, max_size=8), st.randoms())
def test_the_order_of_decisions_does_not_matter(spans: list[tuple[int, int]], shuffle: object) -> None:
    made = []
    for number, (at, length) in enumerate(spans):
        start = START + timedelta(minutes=at)
        made.append(begun(f"{number:04}", start))
        if length % 2:
            made.append(stopped(f"{number:04}", start + timedelta(minutes=length)))
    folded = fold(made)
    assert fold(made[::-1]) == folded
    for session in folded:
        assert session.start <= session.end <= session.start + max(LONGEST, timedelta(minutes=900))
        if not session.stopped:
            assert not any(session.start < other.start < session.end for other in folded)


@pytest.mark.parametrize(
    ("earliest", "latest", "share"),
    [(-60, -30, 0.0), (10, 20, 1.0), (-10, 10, 0.5), (50, 110, 1 / 6), (30, 30, 1.0), (70, 70, 0.0), (-60, 120, 1 / 3)],
)
def test_the_share_of_an_interval(earliest: int, latest: int, share: float) -> None:
    session = Session("a", START, START + timedelta(minutes=60), True, ((Dimension.STEP, "S80"),), "ada")
    first, last = START + timedelta(minutes=earliest), START + timedelta(minutes=latest)
    assert session.share(CaptureTime(first, first, last, "", "")) == pytest.approx(share)


def test_a_picture_of_unknown_time_is_in_no_session() -> None:
    session = Session("a", START, START + timedelta(minutes=60), True, (), "ada")
    assert session.share(CaptureTime(None, None, None, "unknown", "")) == 0.0


# ------------------------------------------------------------------------------------------------ in an archive


@pytest.fixture
def filled(tmp_path: Path) -> Archive:
    return bench_archive.make(tmp_path)


def every(store: Store) -> list[Picture]:
    return pictures.by_rids(store.catalogue, pictures.every_rid(store.catalogue))


def by_session(picture: Picture) -> set[str]:
    return {tag.target for tag in picture.tags if tag.by == "session" and tag.state is TagState.PROPOSED}


def test_pictures_inside_get_what_the_session_was_about(filled: Archive) -> None:
    with Store(filled, by="ada") as store:
        target = next(one for one in every(store) if one.file == "LV40_0003.jpg")  # 27 March 15:21:05
        made = sessions.add(store, [STEP], "2026-03-27 15:00", "2026-03-27 16:00")
        assert by_session(pictures.find(store.catalogue, target.id)) == {"S80"}
        shown = pictures.find(store.catalogue, target.id)
        assert "S80" in shown.counted(Dimension.STEP)
        # The step's own subassembly follows from the plan.
        assert shown.counted(Dimension.SUBASSEMBLY) == (next(s for s in store.plan.steps if s.id == "S80").subassembly,)
        assert sessions.pictures_of(store, made) == [target.rid]
        others = [one for one in every(store) if one.id != target.id]
        assert not any(by_session(one) for one in others)
        deciding.undo(store, made.uid)
        assert by_session(pictures.find(store.catalogue, target.id)) == set()
        assert sessions.every(store) == ()


def test_start_stop_and_what_cannot_be(filled: Archive) -> None:
    with Store(filled, by="ada") as store:
        with pytest.raises(UsageError, match="no session is under way"):
            sessions.stop(store, now=NOW)
        with pytest.raises(UsageError, match="something that was worked on"):
            sessions.start(store, [], now=NOW)
        with pytest.raises(NoSuchId):
            sessions.start(store, [Target(Dimension.STEP, "S99")], now=NOW)
        with pytest.raises(UsageError, match="yet to come"):
            sessions.start(store, [MAST], "2026-03-21 09:00", now=NOW)
        with pytest.raises(UsageError, match="no moment"):
            sessions.start(store, [MAST], "2026-03-20", now=NOW)
        assert sessions.every(store) == ()
        one = sessions.start(store, [MAST], "2026-03-20 13:00", now=NOW)
        assert sessions.under_way(store, NOW) == one
        two = sessions.start(store, [STEP], "2026-03-20 14:00", now=NOW)
        assert sessions.find(store, one.uid).end == two.start
        with pytest.raises(UsageError, match="began only"):
            sessions.stop(store, "2026-03-20 12:00", two.uid, now=NOW)
        sessions.stop(store, "2026-03-20 15:00", now=NOW)
        assert sessions.under_way(store, NOW) is None
        assert sessions.find(store, two.uid).stopped
        with pytest.raises(UsageError, match="end before it starts"):
            sessions.add(store, [MAST], "2026-03-20 15:00", "2026-03-20 14:00", now=NOW)
        with pytest.raises(UsageError, match="more than a week"):
            sessions.add(store, [MAST], "2026-03", "2026-03", now=NOW)
        with pytest.raises(UsageError, match="yet to come"):
            sessions.add(store, [MAST], "2026-03-20 09:00", "2026-03-22", now=NOW)
        assert sessions.add(store, [MAST], "2026-03-20", "2026-03-20", now=NOW).end == NOW
        with pytest.raises(NoSuchId):
            sessions.find(store, "ffff")


def test_what_is_over_is_not_made_longer_by_a_button_of_an_old_page(filled: Archive) -> None:
    with Store(filled, by="ada") as store:
        one = sessions.start(store, [MAST], "2026-03-20 13:00", now=NOW)
        sessions.stop(store, "2026-03-20 14:00", one.uid, now=NOW)
        with pytest.raises(UsageError, match="the session on MAST is over, since 2026-03-20T14:00:59"):
            sessions.stop(store, typed=one.uid, now=NOW)
        sessions.stop(store, "2026-03-20 14:30", one.uid, now=NOW)
        assert sessions.find(store, one.uid).end.minute == 30
        left = sessions.start(store, [STEP], "2026-03-20 15:00", now=NOW)
        later = NOW + timedelta(days=20)
        with pytest.raises(UsageError, match="is over, since 2026-03-21T03:00"):
            sessions.stop(store, now=later)
        with pytest.raises(UsageError, match="more than a week"):
            sessions.stop(store, "2026-04-07 10:00", now=later)
        assert sessions.stop(store, "2026-03-20 15:20", now=later).uid == left.uid


def test_taking_back_a_start_lets_the_session_before_go_on(filled: Archive) -> None:
    with Store(filled, by="ada") as store:
        one = sessions.start(store, [MAST], "2026-03-20 13:00", now=NOW)
        two = sessions.start(store, [STEP], "2026-03-20 14:00", now=NOW)
        assert sessions.find(store, one.uid).end == two.start
        assert not sessions.find(store, one.uid).left_open
        deciding.undo(store)
        assert sessions.under_way(store, NOW) == one


def test_a_rebuild_keeps_sessions_and_what_follows(filled: Archive) -> None:
    with Store(filled, by="ada") as store:
        sessions.start(store, [STEP], "2026-03-27 15:00", now=NOW + timedelta(days=8))
        sessions.stop(store, "2026-03-27 16:00", now=NOW + timedelta(days=8))
        taken = [one for one in every(store) if one.file == "LV40_0001.jpg"]
        deciding.tag(store, [taken[0].id], [MAST])
    before = archives.contents(filled)
    rebuild.rebuild(filled, executor=archives.Inline())
    assert archives.contents(filled) == before


def test_a_persons_tag_speaks_for_its_neighbours_and_stops_doing_so(tmp_path: Path) -> None:
    made = archives.make(tmp_path / "a")
    for number, when in enumerate(("13:00:00", "13:01:00", "13:02:00", "13:40:00", "17:00:00"), start=1):
        archives.photo(tmp_path / "in" / f"P{number}.jpg", number, f"2026:03:20 {when}")
    archives.take(made, tmp_path / "in")
    with Store(made, by="ada") as store:
        ids = {one.file: one.id for one in every(store)}

        def said() -> dict[str, list[tuple[str, float]]]:
            return {
                one.file: [(tag.target, tag.confidence) for tag in one.tags if tag.by == "neighbour"]
                for one in every(store)
            }

        assert not any(said().values())
        first, _ = deciding.tag(store, [ids["P1.jpg"]], [MAST])
        near = said()
        assert near["P2.jpg"][0][1] > near["P3.jpg"][0][1] > 0.5  # fades with time
        assert [target for target, _ in near["P2.jpg"]] == ["MAST"]
        assert near["P4.jpg"] == []
        assert near["P5.jpg"] == []
        # What another person's tag says beyond it does not reach over.
        deciding.tag(store, [ids["P2.jpg"]], [Target(Dimension.SUBASSEMBLY, "BASE")])
        assert {target for target, _ in said()["P3.jpg"]} == {"BASE"}
        # A session's start parts them.
        sessions.add(store, [STEP], "2026-03-20 13:01:30", "2026-03-20 13:30")
        assert said()["P3.jpg"] == []
        deciding.undo(store, first.uid)
        assert "MAST" not in {target for each in said().values() for target, _ in each}
        before = archives.contents(made)
        with store.catalogue.writing():
            from lastlook import proposing

            proposing.propose(store)
        assert archives.contents(made) == before  # asked anew, all is the same


def test_by_command(filled: Archive, capsys: pytest.CaptureFixture[str]) -> None:
    where = ["--archive", str(filled.root)]
    assert main(["session", "list", *where]) == 0
    assert "No session yet" in capsys.readouterr().out
    added = ["session", "add", "mast", "s80", "--from", "2026-03-27 15:00", "--to", "2026-03-27 16:00", "--note", "x"]
    assert main([*added, *where]) == 0
    out = capsys.readouterr().out
    assert "Session on MAST S80" in out
    assert "1 picture of that time." in out
    assert main(["session", "start", "O4", *where]) == 2  # an opening is not worked on
    assert main(["session", "start", "DECK-M", *where]) == 0
    assert "It ends with" in capsys.readouterr().out
    assert main(["session", "stop", "--json", *where]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["stopped"]
    assert main(["undo", said["decision"], *where]) == 0  # what was just done, not the whole session
    assert "Taken back: session" in capsys.readouterr().out
    assert main(["session", "stop", *where]) == 0
    assert said["session"][:8] not in capsys.readouterr().out
    assert main(["session", "list", *where]) == 0
    assert len(capsys.readouterr().out.splitlines()) == 2
    assert main(["history", *where]) == 0
    assert "session on" in capsys.readouterr().out


def test_cards_by_command(filled: Archive, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    where = ["--archive", str(filled.root)]
    out = tmp_path / "cards.pdf"
    assert main(["card", "mast", "S80", "w3", "-o", str(out), *where]) == 0
    assert out.read_bytes().startswith(b"%PDF")
    assert "3 cards on 1 page" in capsys.readouterr().out
    assert main(["card", "mast", "-o", str(out), *where]) == 2
    assert "is there already" in capsys.readouterr().err
    assert main(["card", "--all", "runs", "-o", str(out), "--force", "--json", *where]) == 0
    assert main(["card", "O4", "-o", str(tmp_path / "x.pdf"), *where]) == 2
    assert main(["card", "-o", str(tmp_path / "x.pdf"), *where]) == 2
    assert not (tmp_path / "x.pdf").exists()


def test_touching_is_by_interval(filled: Archive) -> None:
    with Store(filled, by="ada") as store:
        one = next(each for each in every(store) if each.file == "LV40_0003.jpg")
        assert one.time.earliest is not None
        at = pictures.ms(one.time.earliest)
        assert one.rid in placed.touching(store.catalogue, at, at)
        assert one.rid not in placed.touching(store.catalogue, at - 2000, at - 1000)


def test_every_sheet_says_what_is_worked_on_and_stops_it_there(tmp_path: Path) -> None:
    from lastlook_web import ViewerConfig, create_app

    archive = archives.make(tmp_path / "bench")
    app = create_app(ViewerConfig(archive, by="ada"))
    client = app.test_client()
    sheets = ("/", "/queue", "/plan", "/runs", "/closings", "/help")
    for sheet in sheets:
        page = client.get(sheet)
        if page.status_code == 200:
            assert "say what" in page.text, sheet
    with Store(archive, by="ada") as store:
        sessions.start(store, [MAST, STEP])
    seen = [client.get(sheet) for sheet in sheets]
    assert sum(page.status_code == 200 for page in seen) >= 5
    for page in seen:
        if page.status_code == 200:
            assert "MAST · S80" in page.text
            assert 'name="stop"' in page.text
    token = seen[0].text.split('name="token" value="')[1].split('"')[0]
    with Store(archive) as store:
        going = sessions.under_way(store)
    assert going is not None
    body = {"token": token, "stop": going.uid, "back": "/plan"}
    stopped = client.post("/bench/work", data=body)
    assert (stopped.status_code, stopped.headers["Location"]) == (303, "/plan")
    assert "say what" in client.get("/plan").text
    with Store(archive, by="ada") as store:
        assert sessions.under_way(store) is None
        end = sessions.find(store, going.uid).end
    for address in ("/bench/work", "/queue/work"):  # the same button on a page that was left open
        assert "is over, since" in client.post(address, data=body).text
    with Store(archive) as store:
        assert sessions.find(store, going.uid).end == end
