"""What a viewer that was killed left, put right by the next one: files of phones, records, jobs."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import pytest
from flask import Flask

from lastlook import handing_over, job_records, verify
from lastlook.catalogue import media
from lastlook.errors import ArchiveBusy
from lastlook.handing_over import Options
from lastlook.jobs import Job, Runner, State
from lastlook.locking import held
from lastlook.store import Store
from lastlook_web import ViewerConfig, create_app
from lastlook_web.recovering import at_work, recover
from lastlook_web.uploads import State as Sent
from lastlook_web.uploads import Upload, Uploads
from tests import webarchive
from tests.media import bench_picture
from tests.webarchive import Filled


@pytest.fixture
def filled(tmp_path_factory: pytest.TempPathFactory, tmp_path: Path) -> Filled:
    return webarchive.copied(webarchive.shared(tmp_path_factory), tmp_path)


@pytest.fixture
def app(filled: Filled) -> Iterator[Flask]:
    app = create_app(ViewerConfig(filled.archive, by="Ines"))
    yield app
    runner_of(app).close()


def runner_of(app: Flask) -> Runner:
    runner: Runner = app.extensions["lastlook-jobs"]
    return runner


def sent(app: Flask, name: str, seed: int) -> Upload:
    """A photo that has come whole and waits to be taken in."""
    uploads: Uploads = app.extensions["lastlook-uploads"]
    out = BytesIO()
    bench_picture(64, 48, seed).save(out, "JPEG")
    return uploads.whole(name, out, len(out.getvalue()))


def test_what_a_phone_has_sent_is_taken_in_after_a_restart(app: Flask, filled: Filled) -> None:
    """Killed at each step between the last byte and the end: the phone was told that it is here, or sends it again."""
    uploads: Uploads = app.extensions["lastlook-uploads"]
    waiting = sent(app, "waiting.jpg", 501)
    moved = sent(app, "moved.jpg", 502)  # killed before that was recorded
    uploads._keep(replace(moved, state=Sent.ARRIVING))
    torn = sent(app, "torn.jpg", 503)  # no power: the record is empty, and its file is there
    (uploads.folder / f"{torn.id}.json").write_bytes(b"")
    over = sent(app, "over.jpg", 504)  # killed before its file was let go
    uploads._keep(replace(over, state=Sent.TAKEN))
    (uploads.folder / "u00000000000000aa.part").write_bytes(b"\xff\xd8")  # of a file that nobody knows of
    (uploads.folder / "u00000000000000ab.new").write_bytes(b"{")
    half = uploads.begin("half.jpg", 9000)
    uploads.piece(half.id, 0, BytesIO(b"\xff\xd8\xff\xe0" + bytes(5000)), 5004)
    job = Job("j0123456789ab", "sent", "Take in", {}, "Ines", State.RUNNING, 1.0, 2.0)
    job_records.keep(job_records.folder(filled.archive), job, sync=False)
    (job_records.folder(filled.archive) / "j0123456789ab.part").write_text("{")
    fresh = create_app(ViewerConfig(filled.archive, by="Ines"))
    try:
        recover(fresh)
        runner_of(fresh).wait()
        (told,) = [one for one in runner_of(fresh).jobs() if one.kind == "sent"]
        assert (told.id, told.state) == (job.id, State.DONE), "the one that was interrupted goes on"
    finally:
        runner_of(fresh).close()
    with Store(filled.archive) as store:
        names = {medium.file for medium in media.every(store.catalogue, "photo")}
    assert {waiting.name, moved.name, torn.name} <= names
    assert over.name not in names
    left = [path for path in filled.archive.work.rglob("*") if path.is_file() and path.suffix not in (".json", ".lock")]
    assert left == [uploads.folder / f"{half.id}.part"], "what has come of a file is kept for the rest"
    assert verify.verify(filled.archive).findings == ()


def test_a_job_that_nobody_can_do_now_waits_and_is_done_then(app: Flask, filled: Filled) -> None:
    """A command takes files in while a phone sends: the phone's files wait for it, and are not left behind."""
    sent(app, "meanwhile.jpg", 505)
    runner = runner_of(app)
    with held(filled.archive.incoming / "ingest.lock", "taken"):
        job = runner.ask("sent", {})
        while not runner.find(job.id).note:
            assert runner.find(job.id).open
        page = app.test_client().get("/work").text
        assert "Waits: another ingest is at work in this archive." in page
    runner.wait()
    assert (runner.find(job.id).state, runner.find(job.id).text[:15]) == (State.DONE, "1 file taken in")
    with held(filled.archive.work / "jobs.lock", "taken"):
        job = runner.ask("sent", {})
        runner.stop(job.id)
        runner.wait()
    assert runner.find(job.id).state is State.STOPPED


def test_a_record_that_was_being_written_is_cleared_away(filled: Filled, tmp_path: Path, app: Flask) -> None:
    out = tmp_path / "records" / "record-1"
    child = os.fork()
    if child == 0:
        try:
            setattr(handing_over, "_copies", lambda *_: os.kill(os.getpid(), signal.SIGKILL))  # noqa: B010
            with Store(filled.archive, by="Ines") as store:
                handing_over.write(store, Options(), out)
        finally:
            os._exit(1)
    _, status = os.waitpid(child, 0)
    assert os.WTERMSIG(status) == signal.SIGKILL
    assert [path.name for path in out.parent.iterdir()] == [".record-1.part"]
    recover(app)
    assert list(out.parent.iterdir()) == []
    note = filled.archive.incoming / "handover.unfinished"
    assert not note.exists()
    for named in (tmp_path, tmp_path / "copy", Path(".x.part"), tmp_path / "not.part"):
        note.write_text(str(named), encoding="utf-8")  # by hand: what no run of ours is writing stays
        handing_over.clear_unfinished(filled.archive)
    assert filled.archive.catalogue.is_file()


def test_a_second_viewer_leaves_alone_what_the_first_is_at(app: Flask, filled: Filled) -> None:
    uploads: Uploads = app.extensions["lastlook-uploads"]
    draft = uploads.folder / "u00000000000000ab.new"
    second = create_app(ViewerConfig(filled.archive, by="Ines"))
    with at_work(app):
        draft.write_bytes(b"{")
        with at_work(second):
            assert draft.exists()
    with at_work(second):
        assert not draft.exists()
    with at_work(app), pytest.raises(ArchiveBusy), held(filled.archive.work / "viewer.lock", "taken"):
        pass
