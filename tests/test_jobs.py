"""Long work: one job at a time, kept through restarts, stopped and gone on with, told of in words."""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastlook import archive, backup, job_records, jobs
from lastlook.archive import Archive
from lastlook.catalogue import media, pictures, tags
from lastlook.errors import ArchiveBusy, ArchiveError, NoSuchId, UsageError
from lastlook.job_kinds import OWN_INBOX, Places, every_kind, folder_name, places
from lastlook.jobs import Cancelled, Job, OpenStore, Parameters, Result, Runner, State, Stopped
from lastlook.locking import held
from lastlook.progress import Progress, Report, Stage
from lastlook.store import Store
from tests import webarchive
from tests.media import bench_picture, write_photo
from tests.webarchive import Filled


@dataclass
class Counting:
    """A kind that counts to `total`, waiting at each item until it is let go."""

    total: int = 5
    name: str = "counting"
    go: threading.Event = field(default_factory=threading.Event)
    at: threading.Event = field(default_factory=threading.Event)
    done: list[str] = field(default_factory=list)
    error: Exception | None = None

    def title(self, parameters: Parameters) -> str:
        return f"Count {parameters.get('what', '')}"

    def check(self, open_store: OpenStore, parameters: Parameters) -> Parameters:
        if parameters.get("what") == "impossible":
            raise UsageError("that cannot be counted", "Count something else.")
        return dict(parameters)

    def run(self, open_store: OpenStore, parameters: Parameters, report: Report, cancelled: Cancelled) -> Result:
        if self.error is not None:
            raise self.error
        for number in range(self.total):
            report(Progress(Stage.READ, number, self.total, note=f"item {number}"))
            self.at.set()
            assert self.go.wait(20)
            report(Progress(Stage.READ, number, self.total, note=f"item {number}"))
        self.done.append(parameters.get("what", ""))
        return Result("counted", ("one line",), subject="O4", findings=True)


@pytest.fixture
def empty(tmp_path: Path) -> Archive:
    made = archive.create(tmp_path / "build", name="LV-40", zone="Europe/Copenhagen")
    Store(made, create=True).close()
    return made


@pytest.fixture
def runner_of(empty: Archive) -> Iterator[Callable[..., Runner]]:
    made: list[Runner] = []

    def make(*kinds: Counting) -> Runner:
        made.append(Runner(empty, kinds, lambda by: Store(empty, by=by)))
        return made[-1]

    yield make
    for runner in made:
        runner.close()


def test_a_job_runs_and_tells_what_came_of_it(runner_of: Callable[..., Runner]) -> None:
    kind = Counting()
    runner = runner_of(kind)
    job = runner.ask("counting", {"what": "sheep"}, by="Ines")
    assert (job.state, job.title, job.by) == (State.WAITING, "Count sheep", "Ines")
    assert kind.at.wait(20)
    running = runner.find(job.id)
    assert running.state is State.RUNNING
    assert running.progress == Progress(Stage.READ, 0, 5, note="item 0")
    kind.go.set()
    runner.wait()
    over = runner.find(job.id)
    assert (over.state, over.text, over.lines, over.subject, over.findings) == (
        State.DONE,
        "counted",
        ["one line"],
        "O4",
        True,
    )
    assert over.asked_at <= over.started_at <= over.ended_at


def test_the_same_asked_twice_is_one_job(runner_of: Callable[..., Runner]) -> None:
    runner = runner_of(kind := Counting())
    first = runner.ask("counting", {"what": "sheep"})
    assert kind.at.wait(20)
    assert runner.ask("counting", {"what": "sheep"}).id == first.id
    assert runner.ask("counting", {"what": "goats"}).id != first.id
    kind.go.set()
    runner.wait()
    assert kind.done == ["sheep", "goats"]


def test_a_form_that_is_sent_twice_is_one_job_even_when_that_is_over(
    runner_of: Callable[..., Runner], empty: Archive
) -> None:
    runner = runner_of(kind := Counting())
    kind.go.set()
    first = runner.ask("counting", {"what": "sheep"}, once="form-1")
    runner.wait()
    again = runner.ask("counting", {"what": "sheep"}, once="form-1")
    assert (again.id, again.state) == (first.id, State.DONE)
    other = runner_of(kind).ask("counting", {"what": "sheep"}, once="form-1")
    assert other.id == first.id, "also after a restart"
    runner.wait()
    assert kind.done == ["sheep"]
    # Another form, another choice in the same form, and no form at all are other work.
    asked = [("form-2", "sheep"), ("form-1", "goats"), ("", "sheep")]
    for once, what in asked:
        assert runner.ask("counting", {"what": what}, once=once).id != first.id
        runner.wait()
    assert kind.done == ["sheep", "sheep", "goats", "sheep"]


def test_a_form_that_is_sent_often_at_once_is_one_job(runner_of: Callable[..., Runner]) -> None:
    runner = runner_of(kind := Counting(total=0))
    together = threading.Barrier(8)

    def ask() -> str:
        together.wait(20)
        return runner.ask("counting", {"what": "sheep"}, once="form-1").id

    with ThreadPoolExecutor(8) as pool:
        asked = {each.result() for each in [pool.submit(ask) for _ in range(8)]}
    runner.wait()
    assert len(asked) == 1
    assert kind.done == ["sheep"]


def test_a_record_from_before_forms_were_marked_still_reads() -> None:
    job = Job("j0123456789ab", "counting", "Count", {}, "Ines", State.DONE, 1.0)
    old = json.loads(job_records.to_text(job))
    del old["once"]
    assert job_records.from_text(json.dumps(old)) == job
    assert job_records.from_text(json.dumps({**old, "once": 4})) is None


def test_jobs_run_one_after_the_other_in_the_order_in_which_they_were_asked_for(
    runner_of: Callable[..., Runner],
) -> None:
    runner = runner_of(kind := Counting())
    ids = [runner.ask("counting", {"what": str(n)}).id for n in range(4)]
    assert kind.at.wait(20)
    states = {job.id: job.state for job in runner.jobs()}
    assert [states[id] for id in ids] == [State.RUNNING, *[State.WAITING] * 3]
    kind.go.set()
    runner.wait()
    assert kind.done == ["0", "1", "2", "3"]


def test_what_cannot_be_done_is_refused_before_it_is_recorded(runner_of: Callable[..., Runner], empty: Archive) -> None:
    runner = runner_of(Counting())
    with pytest.raises(UsageError, match="cannot be counted"):
        runner.ask("counting", {"what": "impossible"})
    with pytest.raises(UsageError, match="no work of the kind"):
        runner.ask("rm -rf", {})
    with pytest.raises(NoSuchId):
        runner.find("j000000000000")
    assert not job_records.kept(empty)


def test_only_so_many_may_wait(runner_of: Callable[..., Runner]) -> None:
    runner = runner_of(kind := Counting())
    for number in range(jobs.MOST_OPEN):
        runner.ask("counting", {"what": str(number)})
    with pytest.raises(UsageError, match="wait already"):
        runner.ask("counting", {"what": "one more"})
    kind.go.set()
    runner.wait()


def test_one_that_runs_is_stopped_and_goes_on(runner_of: Callable[..., Runner]) -> None:
    runner = runner_of(kind := Counting())
    job = runner.ask("counting", {"what": "sheep"})
    assert kind.at.wait(20)
    runner.stop(job.id)
    kind.go.set()
    runner.wait()
    over = runner.find(job.id)
    assert (over.state, over.text) == (State.STOPPED, "stopped at 0 of 5")
    assert not kind.done
    assert runner.go_on(job.id).state is State.WAITING
    runner.wait()
    assert runner.find(job.id).state is State.DONE
    assert kind.done == ["sheep"]
    with pytest.raises(UsageError, match="cannot go on"):
        runner.go_on(job.id)


def test_one_that_waits_is_stopped_at_once(runner_of: Callable[..., Runner]) -> None:
    runner = runner_of(kind := Counting())
    runner.ask("counting", {"what": "sheep"})
    waiting = runner.ask("counting", {"what": "goats"})
    assert runner.stop(waiting.id).state is State.STOPPED
    kind.go.set()
    runner.wait()
    assert kind.done == ["sheep"]


def test_one_that_is_over_can_be_taken_off_the_list(runner_of: Callable[..., Runner]) -> None:
    runner = runner_of(kind := Counting())
    job = runner.ask("counting", {})
    assert kind.at.wait(20)
    with pytest.raises(UsageError, match="still going on"):
        runner.forget(job.id)
    kind.go.set()
    runner.wait()
    runner.forget(job.id)
    assert runner.jobs() == []


def test_an_error_is_told_in_its_words(runner_of: Callable[..., Runner]) -> None:
    runner = runner_of(kind := Counting(error=ArchiveBusy("another ingest is at work", "Wait until it has finished.")))
    job = runner.ask("counting", {})
    runner.wait()
    over = runner.find(job.id)
    assert (over.state, over.text, over.hint) == (
        State.FAILED,
        "another ingest is at work",
        "Wait until it has finished.",
    )
    kind.error = None
    kind.go.set()
    runner.go_on(job.id)
    runner.wait()
    assert runner.find(job.id).state is State.DONE


def test_a_fault_is_told_without_what_is_nobodys_business(
    runner_of: Callable[..., Runner], caplog: pytest.LogCaptureFixture
) -> None:
    runner = runner_of(Counting(error=RuntimeError("secret of the machine")))
    job = runner.ask("counting", {})
    runner.wait()
    over = runner.find(job.id)
    assert over.state is State.FAILED
    assert "secret" not in job_records.to_text(over)
    assert "secret of the machine" in caplog.text
    caplog.clear()  # it was meant to be logged


def test_ending_the_viewer_stops_what_runs_and_keeps_what_waits(
    runner_of: Callable[..., Runner], empty: Archive
) -> None:
    first = runner_of(kind := Counting())
    running = first.ask("counting", {"what": "sheep"})
    waiting = first.ask("counting", {"what": "goats"})
    assert kind.at.wait(20)
    threading.Timer(0.2, kind.go.set).start()
    first.close()
    after = runner_of(again := Counting())
    again.go.set()
    found = {job.id: job for job in after.jobs()}
    assert found[running.id].state is found[waiting.id].state is State.STOPPED
    assert found[running.id].text == "stopped at 0 of 5: the viewer was ended"
    after.go_on(waiting.id)
    after.wait()
    assert again.done == ["goats"]


def _count_and_die(root: Path, line: object) -> None:
    here = archive.open_at(root)
    kind = Counting(total=9)
    runner = Runner(here, [kind], lambda by: Store(here, by=by))
    runner.ask("counting", {"what": "sheep"})
    kind.at.wait(20)
    line.send("under way")  # type: ignore[attr-defined]
    time.sleep(60)


def test_a_job_outlives_a_process_that_was_killed(runner_of: Callable[..., Runner], empty: Archive) -> None:
    ours, theirs = multiprocessing.Pipe()
    process = multiprocessing.get_context("spawn").Process(target=_count_and_die, args=(empty.root, theirs))
    process.start()
    assert ours.poll(30)
    runner = runner_of(kind := Counting(total=9))
    kind.go.set()
    (job,) = runner.jobs()
    assert job.state is State.RUNNING, "somebody else is at it"
    other = runner.ask("counting", {"what": "goats"})
    runner.wait()
    assert runner.find(other.id).state is State.FAILED
    assert "another process" in runner.find(other.id).text
    os.kill(process.pid or 0, signal.SIGKILL)
    process.join()
    process.close()
    ours.close()
    theirs.close()
    job = runner.find(job.id)
    assert (job.state, job.text) == (State.STOPPED, "stopped at 0 of 9: its process ended")
    runner.go_on(job.id)
    runner.wait()
    assert runner.find(job.id).state is State.DONE


def test_the_list_is_kept_short(runner_of: Callable[..., Runner], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(jobs, "MOST_KEPT", 3)
    runner = runner_of(kind := Counting(total=1))
    kind.go.set()
    for number in range(6):
        runner.ask("counting", {"what": str(number)})
        runner.wait()
    assert [job.parameters["what"] for job in runner.jobs()] == ["5", "4", "3", "2"]


def test_a_full_disk_says_so(runner_of: Callable[..., Runner], empty: Archive, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(path: Path, *args: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    runner = runner_of(Counting())
    with pytest.raises(ArchiveError, match="no space left"):
        runner.ask("counting", {})
    monkeypatch.undo()
    assert runner.jobs() == []
    assert not list(empty.work.rglob("*.part"))


_TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
_JOBS = st.builds(
    Job,
    id=st.from_regex(r"j[0-9a-f]{12}", fullmatch=True),
    kind=_TEXT,
    title=_TEXT,
    parameters=st.dictionaries(_TEXT, _TEXT, max_size=3),
    by=_TEXT,
    state=st.sampled_from(State),
    asked_at=st.floats(0, 4e9),
    done=st.integers(0, 1 << 40),
    note=_TEXT,
    lines=st.lists(_TEXT, max_size=3),
    findings=st.booleans(),
)


@given(_JOBS)
def test_a_job_is_read_as_it_was_written(job: Job) -> None:
    assert job_records.from_text(job_records.to_text(job)) == job


@given(st.one_of(st.text(), st.recursive(st.none() | st.integers() | _TEXT, st.lists).map(repr)))
def test_what_is_no_job_is_passed_over(text: str) -> None:
    assert job_records.from_text(text) is None


@given(_JOBS, st.sampled_from(["id", "done", "lines", "asked_at", "parameters", "findings"]))
def test_a_job_of_the_wrong_shape_is_passed_over(job: Job, key: str) -> None:
    wrong = replace(job, **{key: {"id": "../../x", "lines": "no list", "parameters": [1]}.get(key, "three")})  # type: ignore[arg-type]
    assert job_records.from_text(job_records.to_text(wrong)) is None


@pytest.mark.parametrize(
    ("spent", "done", "total", "expected"),
    [(10.0, 20, 100, (2.0, 40.0)), (10.0, 0, 100, (0.0, None)), (0.1, 5, 10, (0.0, None)), (10.0, 5, 0, (0.0, None))],
)
def test_the_pace_is_what_was_done_by_the_time_it_took(
    spent: float, done: int, total: int, expected: tuple[float, float | None]
) -> None:
    # 20 of 100 in 10 s: 2 a second, 80 left at that pace take 40 s.
    job = Job("j000000000000", "", "", {}, "", State.RUNNING, 0.0, stage="read", stage_at=100.0, done=done, total=total)
    assert job.pace(100.0 + spent) == pytest.approx(expected)


def test_stopping_is_what_ctrl_c_is() -> None:
    assert issubclass(Stopped, KeyboardInterrupt)


# ------------------------------------------------------------------------------------------------ the kinds


@pytest.fixture
def filled(tmp_path_factory: pytest.TempPathFactory, tmp_path: Path) -> Filled:
    return webarchive.copied(webarchive.shared(tmp_path_factory), tmp_path)


def run(filled: Filled, kind: str, parameters: Parameters, where: Places | None = None) -> Job:
    runner = Runner(
        filled.archive, every_kind(where or places(filled.archive)), lambda by: Store(filled.archive, by=by)
    )
    job = runner.ask(kind, parameters, by="Ines")
    runner.wait()
    runner.close()
    return runner.find(job.id)


def test_a_folder_is_taken_in_by_its_name(filled: Filled) -> None:
    inbox = filled.archive.root / OWN_INBOX
    write_photo(inbox / "mast" / "new.jpg", bench_picture(640, 480, 91))
    (inbox / "mast" / "note.xyz").write_text("no picture")
    job = run(filled, "take-in", {"from": OWN_INBOX, "path": "/etc"})
    assert job.parameters == {"from": OWN_INBOX}
    assert (job.state, job.text) == (State.DONE, "1 file taken in, 0 known already, 0 stills, 1 problem")
    assert job.findings
    assert job.lines == ["note.xyz: is no photo, clip or caption file. It was left out; nothing needs doing."]
    assert (inbox / "mast" / "new.jpg").is_file(), "what was taken in stays where it was"
    again = run(filled, "take-in", {"from": OWN_INBOX})
    assert again.text.startswith("0 files taken in, 1 known already")


def test_no_parameter_is_a_path(filled: Filled) -> None:
    for given_ in ("/etc", "../../etc", str(filled.source), ""):
        with pytest.raises(UsageError, match="no folder"):
            run(filled, "take-in", {"from": given_})
        with pytest.raises(UsageError, match="no place"):
            run(filled, "backup", {"to": given_})


def test_a_folder_that_was_named_at_the_terminal_is_taken_in(filled: Filled, tmp_path: Path) -> None:
    card = tmp_path / "card"
    write_photo(card / "a.jpg", bench_picture(640, 480, 92))
    where = places(filled.archive, [card])
    job = run(filled, "take-in", {"from": folder_name(card)}, where)
    assert job.text.startswith("1 file taken in")
    assert job.title == "Take in the folder “card”"
    assert str(tmp_path) not in job_records.to_text(job)
    (card / "a.jpg").unlink()
    card.rmdir()
    gone = run(filled, "take-in", {"from": folder_name(card)}, where)
    assert (gone.state, gone.text) == (State.FAILED, "the folder “card” is not there")


def test_proposing_again_ends_where_the_archive_was(filled: Filled) -> None:
    def proposals() -> list[tuple[int, str]]:
        with Store(filled.archive) as store:
            rids = pictures.every_rid(store.catalogue)
            return sorted((rid, str(tag)) for rid, each in tags.standing(store.catalogue, rids).items() for tag in each)

    before = proposals()
    job = run(filled, "propose", {})
    assert job.state is State.DONE, job.text
    assert "pictures looked at" in job.text
    assert {rid for rid, _ in before} <= {rid for rid, _ in proposals()}
    after = proposals()
    run(filled, "propose", {})
    assert proposals() == after


def test_a_closing_check_says_what_is_open(filled: Filled) -> None:
    job = run(filled, "check", {"opening": "o3"})
    assert job.parameters == {"opening": "O3"}
    assert job.state is State.DONE
    assert job.subject == "O3"
    assert job.findings == bool(job.lines)
    assert job.text.startswith("O3: ")
    with pytest.raises(NoSuchId):
        run(filled, "check", {"opening": "O99"})


def test_a_record_is_written_beside_the_archive(filled: Filled) -> None:
    job = run(filled, "hand-over", {"in": "MAST", "for": "client", "out": "/tmp/elsewhere"})
    assert job.parameters == {"in": "MAST", "for": "client"}
    assert job.state is State.DONE, job.text
    folder = filled.archive.root.parent / f"{filled.archive.root.name}-records" / job.subject
    assert (folder / "bagit.txt").is_file()
    with pytest.raises(UsageError):
        run(filled, "hand-over", {"language": "xx"})
    with pytest.raises(NoSuchId):
        run(filled, "hand-over", {"in": "NOWHERE"})


def test_the_archive_is_checked(filled: Filled) -> None:
    job = run(filled, "verify", {"share": "100 %"})
    assert job.state is State.DONE
    assert not job.findings, job.lines
    with Store(filled.archive) as store:
        medium = media.every(store.catalogue, "photo")[0]
    path = filled.archive.original(medium.stored, medium.in_place)
    path.chmod(0o600)
    path.write_bytes(b"\xff" + path.read_bytes()[1:-1] + b"\x00")
    hurt = run(filled, "verify", {})
    assert hurt.findings
    assert any(medium.file in line for line in hurt.lines)
    with pytest.raises(UsageError, match="share"):
        run(filled, "verify", {"share": "lots"})


def test_a_backup_goes_where_it_went_before(filled: Filled, tmp_path: Path) -> None:
    target = tmp_path / "disk" / "LV-40"
    target.parent.mkdir()
    backup.backup(filled.archive, target)
    job = run(filled, "backup", {"to": folder_name(target)})
    assert job.state is State.DONE, job.text
    assert job.text.startswith("0 originals copied")
    target.parent.rename(tmp_path / "unplugged")
    gone = run(filled, "backup", {"to": folder_name(target)})
    assert (gone.state, gone.text) == (State.FAILED, "the disk with “LV-40” is not there")


def test_an_archive_that_is_busy_says_so(filled: Filled) -> None:
    write_photo(filled.archive.root / OWN_INBOX / "b.jpg", bench_picture(640, 480, 93))
    with held(filled.archive.incoming / "ingest.lock", "taken"):
        job = run(filled, "take-in", {})
    assert (job.state, job.text) == (State.FAILED, "another ingest is at work in this archive")
    assert job.hint


def test_taking_in_stops_and_goes_on(filled: Filled) -> None:
    inbox = filled.archive.root / OWN_INBOX
    for number in range(12):
        write_photo(inbox / f"n{number}.jpg", bench_picture(320, 240, 100 + number))
    runner = Runner(filled.archive, every_kind(places(filled.archive)), lambda by: Store(filled.archive, by=by))
    job = runner.ask("take-in", {})
    runner.stop(job.id)
    runner.wait()
    over = runner.find(job.id)
    assert over.state is State.STOPPED
    runner.go_on(job.id)
    runner.wait()
    over = runner.find(job.id)
    assert over.state is State.DONE
    with Store(filled.archive) as store:
        names = {medium.file for medium in media.every(store.catalogue, "photo")}
    assert {f"n{number}.jpg" for number in range(12)} <= names
    runner.close()
