"""The queue: what needs a person, in groups, most useful first; settling, saying no, whole sessions; by command."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from lastlook import deciding, queue, sessions
from lastlook.archive import Archive
from lastlook.catalogue import decisions, pictures
from lastlook.cli.main import main
from lastlook.deciding import Target
from lastlook.errors import NoSuchId, UsageError
from lastlook.open_pictures import Need
from lastlook.queue import Kind
from lastlook.records import Dimension, Picture
from lastlook.store import Store
from lastlook_web.app import create_app
from lastlook_web.config import ViewerConfig
from tests import archives

SUB, STEP = Dimension.SUBASSEMBLY, Dimension.STEP
MAST, S80 = Target(SUB, "MAST"), Target(STEP, "S80")


@pytest.fixture(scope="module")
def taken(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    """Nine photos: a mast evening in two folders, a base morning, one that nothing is known of, one undated."""
    folder = tmp_path_factory.mktemp("queue")
    made = archives.make(folder / "a")
    bench = folder / "in"
    for number in range(1, 5):
        archives.photo(bench / "mast foot" / f"M{number}.jpg", number, f"2026:03:20 13:0{number}:00")
    archives.photo(bench / "main deck" / "D1.jpg", 5, "2026:03:20 13:06:00")
    archives.photo(bench / "BASE" / "B1.jpg", 6, "2026:03:22 09:00:00")
    archives.photo(bench / "BASE" / "B2.jpg", 7, "2026:03:22 09:00:30")
    archives.photo(bench / "IMG_20260325_100000.jpg", 8, "2026:03:25 10:00:00")
    archives.photo(bench / "IMG_20260325_110000.jpg", 9, "2026:03:25 11:00:00")
    archives.take(made, bench)
    return made


@pytest.fixture
def filled(taken: Archive, tmp_path: Path) -> Archive:
    import shutil

    from lastlook import archive

    shutil.copytree(taken.root, tmp_path / "a")
    return archive.open_at(tmp_path / "a")


def by_file(store: Store) -> dict[str, Picture]:
    return {one.file: one for one in pictures.by_rids(store.catalogue, pictures.every_rid(store.catalogue))}


def files(group: queue.Group) -> list[str]:
    return [one.file for one in group.pictures]


def test_groups_follow_where_pictures_come_from_and_what_is_claimed(filled: Archive) -> None:
    with Store(filled, by="ada") as store:
        found = {tuple(files(group)): group for group in queue.groups(store, everything=True)}
        assert set(found) == {
            ("M1.jpg", "M2.jpg", "M3.jpg", "M4.jpg"),
            ("D1.jpg",),
            ("B1.jpg", "B2.jpg"),
            ("IMG_20260325_100000.jpg",),
            ("IMG_20260325_110000.jpg",),
        }
        mast = found["M1.jpg", "M2.jpg", "M3.jpg", "M4.jpg"]
        assert (mast.kind, mast.need) == (Kind.STRETCH, Need.APPLIED)
        assert mast.choices[0].targets == ((SUB, "MAST"),)
        assert "mast foot" in mast.choices[0].evidence
        nothing = found[("IMG_20260325_100000.jpg",)]
        assert (nothing.kind, nothing.need, nothing.choices) == (Kind.ONE, Need.NOTHING, ())
        worths = [group.worth for group in queue.groups(store)]
        assert worths == sorted(worths, reverse=True)


def test_one_answer_settles_a_group_and_can_be_taken_back(filled: Archive) -> None:
    with Store(filled, by="ada") as store:
        before = queue.groups(store)
        group = next(each for each in before if "M1.jpg" in files(each))
        decision = queue.accept(store, queue.find(store, group.id[:9]))
        assert all(by_file(store)[file].said(SUB) == ("MAST",) for file in files(group))
        assert not any("M1.jpg" in files(each) for each in queue.groups(store, everything=True))
        with pytest.raises(NoSuchId):
            queue.find(store, group.id)
        deciding.undo(store, decision.uid)
        assert queue.groups(store) == before


def test_what_was_denied_does_not_come_back(filled: Archive) -> None:
    with Store(filled, by="ada") as store:
        group = next(each for each in queue.groups(store) if "B1.jpg" in files(each))
        with pytest.raises(UsageError, match="no choice 7"):
            queue.accept(store, group, 7)
        queue.reject(store, group)
        assert not any("B1.jpg" in files(each) for each in queue.groups(store, everything=True))
        assert by_file(store)["B1.jpg"].counted(SUB) == ()
        # Even where new evidence says the same again.
        sessions.add(store, [Target(SUB, "BASE")], "2026-03-22 08:00", "2026-03-22 10:00")
        assert by_file(store)["B1.jpg"].counted(SUB) == ()
        bare = next(each for each in queue.groups(store) if each.need is Need.NOTHING)
        with pytest.raises(UsageError, match="nothing proposed"):
            queue.reject(store, bare)
        with pytest.raises(UsageError, match="nothing proposed"):
            queue.reject_all(store, bare)
        queue.settle(store, bare, [Target(SUB, "dkh")])
        assert by_file(store)[files(bare)[0]].said(SUB) == ("DKH",)


def test_a_contradiction_is_shown_and_comes_first(filled: Archive) -> None:
    with Store(filled, by="ada") as store:
        sessions.add(store, [S80], "2026-03-20 13:00", "2026-03-20 13:30")  # S80 is in MAST; D1 lies in "main deck"
        found = queue.groups(store)
        conflict = next(each for each in found if "D1.jpg" in files(each))
        assert conflict.need is Need.CONFLICT
        assert {choice.targets[0][1] for choice in conflict.choices} == {"MAST", "DECK-M"}
        assert "other evidence says" in conflict.choices[0].evidence
        one = next(each for each in queue.groups(store, everything=True) if "M1.jpg" in files(each))
        assert one.kind is Kind.SESSION
        assert one.choices[0].words == "MAST · S80"
        assert one.choices[1].words == "MAST"
        queue.reject(store, one)  # only the step is denied, since the place is offered alone, too
        assert by_file(store)["M1.jpg"].counted(SUB) == ("MAST",)
        assert by_file(store)["M1.jpg"].counted(STEP) == ()


def test_a_whole_session_shows_first_what_it_does(filled: Archive) -> None:
    with Store(filled, by="ada") as store:
        made = sessions.add(store, [S80], "2026-03-20 13:00", "2026-03-20 13:30")
        shown = queue.preview(store, made)
        assert [one.file for one in shown.pictures] == ["M1.jpg", "M2.jpg", "M3.jpg", "M4.jpg"]
        assert [(one.file, other) for one, other in shown.differing] == [("D1.jpg", "DECK-M")]
        assert shown.sets == ((STEP, "S80"), (SUB, "MAST"))
        assert by_file(store)["M1.jpg"].said(SUB) == ()  # looking did nothing
        decision = queue.accept_session(store, shown)
        assert by_file(store)["M1.jpg"].said(STEP) == ("S80",)
        assert by_file(store)["D1.jpg"].said(STEP) == ()
        with pytest.raises(UsageError, match="no open pictures"):
            queue.accept_session(store, queue.preview(store, made))
        deciding.undo(store, decision.uid)
        assert queue.preview(store, made) == shown


def test_accepting_a_session_whose_pictures_have_changed_is_refused(filled: Archive) -> None:
    """One was placed, another one came to be free: as many as were shown, but not the same."""
    client = create_app(ViewerConfig(filled, by="ada")).test_client()
    with Store(filled, by="ada") as store:
        made = sessions.add(store, [S80], "2026-03-20 13:00", "2026-03-20 13:30")
        one, other = (by_file(store)[file].id for file in ("M1.jpg", "M2.jpg"))
        placed, _ = deciding.tag(store, [one], [MAST])
    page = client.get(f"/queue/session/{made.uid}").text
    form = {name: re.findall(rf'name="{name}" value="([^"]*)"', page)[-1] for name in ("token", "shown")}
    with Store(filled, by="bo") as store:
        deciding.undo(store, placed.uid)
        deciding.tag(store, [other], [MAST])
        before = decisions.last_seq(store.catalogue)
    answer = client.post(f"/queue/session/{made.uid}/accept", data=form, follow_redirects=True)
    assert "have changed since they were shown. Look again." in answer.text
    with Store(filled) as store:
        assert decisions.last_seq(store.catalogue) == before
    form["shown"] = re.findall(r'name="shown" value="([^"]*)"', client.get(f"/queue/session/{made.uid}").text)[0]
    assert "did=" in client.post(f"/queue/session/{made.uid}/accept", data=form).headers["Location"]


def test_by_command(filled: Archive, capsys: pytest.CaptureFixture[str]) -> None:
    where = ["--archive", str(filled.root)]

    def run(*words: str, code: int = 0) -> str:
        assert main(["propose", *words]) == code
        return capsys.readouterr().out

    listed = run("--list", *where)
    assert "4 pictures, stretch of time" in listed
    body = json.loads(run("--all", "--json", *where))
    assert body["total"] == 5
    mast = next(each for each in body["groups"] if len(each["pictures"]) == 4)
    assert mast["choices"][0]["targets"] == [["subassembly", "MAST"]]
    assert mast["first"] == "2026-03-20T13:01:00+01:00"
    assert "4 pictures settled" in run("accept", mast["group"][:8], *where)
    run("accept", mast["group"], *where, code=2)
    bare = next(each for each in body["groups"] if each["need"] == "nothing")
    told = json.loads(run("accept", bare["group"], "--as", "mast", "--as", "s80", "--json", *where))
    assert told["pictures"] == bare["pictures"]
    base = next(each for each in body["groups"] if len(each["pictures"]) == 2)
    assert "2 pictures settled" in run("reject", base["group"], *where)
    assert main(["session", "add", "BASE", "--from", "2026-03-25 10:30", "--to", "2026-03-25 12:00", *where]) == 0
    uid = json.loads((main(["session", "list", "--json", *where]), capsys.readouterr().out.split("\n", 3)[-1])[1])[
        "sessions"
    ][0]["session"]
    assert "1 picture would be put to BASE" in run("session", uid, *where)
    assert "1 picture is put to BASE" in run("session", uid, "--accept", *where)
    run("session", "ffffffff", *where, code=2)
    run(*where, "accept", mast["group"], code=2)  # options of the group stand behind its commands
