"""The commands, as a builder types them: answers, words, JSON, exit codes."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import pytest

from lastlook.archive import Archive
from lastlook.cli.main import COMMANDS, main, root, script
from tests import bench_archive

Say = Callable[..., str]


@pytest.fixture(scope="session")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    return bench_archive.make(tmp_path_factory.mktemp("cli"))


@pytest.fixture
def own(tmp_path: Path) -> Archive:
    """An archive that a test may change."""
    return bench_archive.make(tmp_path)


class Told:
    """What a command said and returned."""

    def __init__(self, code: int, out: str, err: str) -> None:
        self.code, self.out, self.err = code, out, err

    @property
    def json(self) -> Any:
        return json.loads(self.out)


@pytest.fixture
def run(capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Callable[..., Told]:
    monkeypatch.delenv("LASTLOOK_ARCHIVE", raising=False)
    monkeypatch.setenv("LASTLOOK_BY", "ada")

    def call(*arguments: object, at: Archive | None = None) -> Told:
        if at is not None:
            monkeypatch.setenv("LASTLOOK_ARCHIVE", str(at.root))
        code = main(list(map(str, arguments)))
        out, err = capfd.readouterr()
        assert "Traceback" not in out + err
        return Told(code, out, err)

    return call


def commands() -> list[tuple[str, click.Command]]:
    """Every command with its whole name."""
    found: list[tuple[str, click.Command]] = []
    context = click.Context(root)
    for name in root.list_commands(context):
        command = root.get_command(context, name)
        assert command is not None
        found.append((name, command))
        if isinstance(command, click.Group):
            found += [(f"{name} {sub}", each) for sub, each in command.commands.items()]
    return found


@pytest.mark.parametrize(("name", "command"), commands(), ids=[name for name, _ in commands()])
def test_every_command_has_help_that_ends_with_an_example(name: str, command: click.Command) -> None:
    text = command.help or ""
    assert text.splitlines()[0].endswith("."), name
    assert "Example:" in text, name
    assert f"lastlook {name.split()[0]}" in text.split("Example:")[1], name
    for parameter in command.params:
        if (
            isinstance(parameter, click.Option)
            and not parameter.hidden
            and parameter.name not in {"limit", "uncertainty"}
        ):
            assert parameter.help, f"{name} {parameter.opts}"


@pytest.mark.parametrize("name", [name for name, _ in commands()])
def test_every_command_is_in_the_readme(name: str) -> None:
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    assert f"lastlook {name}" in readme


def test_answers_are_listed_as_json() -> None:
    """Commands that answer can answer as JSON."""
    silent = {"demo", "serve"}
    for name, command in commands():
        only_a_group = isinstance(command, click.Group) and not command.invoke_without_command
        if name not in silent and not only_a_group:
            assert any("--json" in parameter.opts for parameter in command.params), name


def test_find_answers_with_the_last_look_before_a_closing(archive: Archive, run: Callable[..., Told]) -> None:
    told = run("find", "--run", "w3", "--before-closing", "O4", "--json", "--archive", archive.root)
    assert told.code == 0
    assert told.json["total"] == 2
    first = told.json["hits"][0]
    assert first["file"] == "LV40_0002.jpg"
    assert first["taken_at"] == "2026-03-24T14:50:18+01:00"
    assert first["runs"] == ["W03"]
    # The shape that design and README promise, no more and no less in name.
    assert set(first) >= {
        "picture", "kind", "file", "clip_ms", "taken_at", "earliest", "latest", "time_basis", "subassemblies",
        "steps", "runs", "caption", "score", "sha256",
    }  # fmt: skip
    assert first["clip_ms"] is None
    assert len(first["sha256"]) == 64


def test_what_cannot_be_told_is_shown_apart(archive: Archive, run: Callable[..., Told]) -> None:
    told = run("find", "--before-closing", "O4", "--json", at=archive)
    assert [hit["file"] for hit in told.json["hits"]] == ["LV40_0002.jpg", "LV40_0001.jpg"]
    assert [hit["file"] for hit in told.json["undetermined"]] == ["LV40_0004.jpg"]
    told = run("find", "--before-closing", "O4", at=archive)
    assert "Cannot be told: 1 picture" in told.out


def test_total_counts_all_that_match_whatever_the_limit(archive: Archive, run: Callable[..., Told]) -> None:
    told = run("find", "--limit", "1", "--json", at=archive)
    assert told.json["total"] == 4
    assert len(told.json["hits"]) == 1


@pytest.mark.parametrize("words", ["splice", "splices", "SLEEVED", "w-03 splice", '"sleeved splice"', "len* splice"])
def test_words_find_as_a_builder_expects(archive: Archive, run: Callable[..., Told], words: str) -> None:
    told = run("find", words, "--json", at=archive)
    assert [hit["file"] for hit in told.json["hits"]] == ["LV40_0002.jpg"]


def test_a_misspelt_word_is_answered_with_the_nearest_known(archive: Archive, run: Callable[..., Told]) -> None:
    told = run("find", "splise", at=archive)
    assert told.code == 1
    assert "No picture has the word 'splise'. Known words like it: splice" in told.out


def test_absence_is_an_answer(archive: Archive, run: Callable[..., Told]) -> None:
    told = run("find", "--run", "W03", "--since", "25 March 2026", at=archive)
    assert told.code == 1
    assert "No picture of W03 since 25 Mar 2026 00:00:00 +01:00." in told.out
    assert "Last seen 24 Mar 2026 14:50:18 +01:00" in told.out


@pytest.mark.parametrize(
    ("command", "hint"),
    [
        (("show", "p0"), "'lastlook find' lists"),
        (("undo", "zz"), "'lastlook history' lists"),
        (("still", "c0", "--at", "1"), "'lastlook find --kind still' lists"),
        (("find", "--run", "W99"), "'lastlook plan show' lists"),
        (("show", "p" * 5000), "'lastlook find' lists"),
    ],
)
def test_an_id_that_is_none_says_where_such_ids_are_listed(
    archive: Archive, run: Callable[..., Told], command: tuple[str, ...], hint: str
) -> None:
    told = run(*command, at=archive)
    assert told.code == 2
    wrong, todo = told.err.splitlines()
    assert hint in todo
    assert len(wrong) < 120


def test_only_what_is_absent_is_called_absent(archive: Archive, run: Callable[..., Told]) -> None:
    """That no picture of W03 has a word is no absence of W03: a builder would order a new run."""
    told = run("find", "soldered", "--run", "W03", at=archive)
    assert told.code == 1
    there = run("find", "--run", "W03", "--json", at=archive).json["total"]
    assert f"No picture of W03 fits the words “soldered”; without them there are {there}." in told.out
    told = run("find", "--run", "W03", "--kind", "still", "--since", "2 January 2090", at=archive)
    assert "No still of a clip of W03 since 2 Jan 2090 00:00:00 +01:00." in told.out


@pytest.mark.parametrize("query", ['"', "((", "a AND OR", "*", "-", "w03 -", "~^%$", "x" * 5000, "not not not"])
def test_a_query_that_cannot_be_read_is_answered(archive: Archive, run: Callable[..., Told], query: str) -> None:
    assert run("find", "--", query, at=archive).code in {0, 1}


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["find", "--run", "W99"], "there is no run 'W99'"),
        (["find", "--before-closing", "O9"], "there is no opening 'O9'"),
        (["find", "--since", "yesterweek"], "'yesterweek'"),
        (["find", "--limit", "0"], "0 is not in the range"),
        (["show", "pffffffff"], "there is no picture 'pffffffff'"),
        (["timeline", "KEEL"], "there is no subassembly 'KEEL'"),
        (["close", "O4", "--at", "2026-03-28"], "O4 is closed already"),
        (["reopen", "O1", "--at", "2026-03-28"], "O1 is not closed"),
        (["still", "no.mp4", "--at", "1:00"], "there is no clip 'no.mp4'"),
        (["undo", "abcdef"], "there is no decision 'abcdef'"),
        (["clock", "set", "Nikkor", "--error", "3"], "no picture was taken by a camera 'Nikkor'"),
        (["ingest", "nowhere"], "there is no nowhere"),
        (["plan", "load", "nowhere.toml"], "there is no nowhere.toml"),
        (["frobnicate"], "there is no command 'frobnicate'"),
        (["fnd"], "Did you mean find"),
        (["tag", "p00", "--run", "W03"], "there is no picture 'p00'"),
    ],
)
def test_what_cannot_run_says_what_is_wrong_and_what_to_do(
    archive: Archive, run: Callable[..., Told], arguments: list[str], said: str
) -> None:
    told = run(*arguments, at=archive if arguments[0] not in {"frobnicate", "fnd"} else None)
    assert told.code == 2
    assert said in told.err
    assert told.out == ""
    lines = told.err.strip().splitlines()
    assert lines[0].startswith("lastlook: ")
    assert len(lines) >= 2, "a line of what to do"


def test_without_an_archive_every_command_says_so(
    tmp_path: Path, run: Callable[..., Told], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for name in ("find", "verify", "rebuild", "problems", "history", "undo"):
        told = run(name)
        assert told.code == 2, name
        assert "there is no archive in" in told.err


def test_the_archive_is_found_upward_and_by_environment(
    archive: Archive, run: Callable[..., Told], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(archive.root / "originals")
    assert run("find", "--json").json["total"] == 4
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("LASTLOOK_ARCHIVE", str(archive.root))
    assert run("find", "--json").json["total"] == 4


def test_a_tag_an_untag_and_their_undoing(own: Archive, run: Callable[..., Told]) -> None:
    id = run("find", "--sort", "newest", "--limit", "1", "--json", at=own).json["hits"][0]["picture"]
    told = run("tag", id, "--in", "mast", "--step", "S80", "--caption", " Collar  glued ", "--json", at=own)
    assert told.code == 0
    picture = told.json["pictures"][0]
    assert picture["caption"] == "Collar glued"
    assert picture["subassemblies"] == ["MAST"]
    assert run("find", "collar", "--json", at=own).json["total"] == 1
    assert run("untag", id, "--in", "MAST", at=own).code == 0
    assert run("show", id, "--json", at=own).json["subassemblies"] == []
    run("undo", at=own)
    assert run("show", id, "--json", at=own).json["subassemblies"] == ["MAST"]
    run("undo", told.json["decision"][:8], at=own)
    shown = run("show", id, "--json", at=own).json
    assert shown["subassemblies"] == []
    assert shown["caption"] == ""
    assert run("find", "collar", "--json", at=own).json["total"] == 0
    assert "taken back" in run("history", at=own).out


def test_show_says_where_a_time_comes_from(archive: Archive, run: Callable[..., Told]) -> None:
    id = run("find", "splice", "--json", at=archive).json["hits"][0]["picture"]
    told = run("show", id[:6], "--json", at=archive)
    assert told.json["time_basis"].startswith("exif-original")
    assert told.json["claims"][0]["text"].startswith("2026:03:24 14:50:18")
    assert told.json["met_at"][0].endswith("2026-03-20 mast/LV40_0002.jpg")
    text = run("show", id, at=archive).out
    assert "24 Mar 2026 14:50:18 +01:00" in text
    assert 'folder "2026-03-20 mast"' in text


def test_a_timeline_names_its_gaps(archive: Archive, run: Callable[..., Told]) -> None:
    told = run("timeline", "MAST", "--json", at=archive)
    opening = next(moment for moment in told.json["moments"] if moment["id"] == "O4")
    assert opening["closed"]["method"] == "bonded, two-part epoxy"
    assert opening["before"]["file"] == "LV40_0002.jpg"
    assert opening["after"] is None
    assert "no picture of MAST surely after O4 was closed" in opening["gaps"]
    assert "gap: no picture of MAST surely after O4 was closed" in run("timeline", "mast", at=archive).out


def test_closing_and_reopening_move_the_answer(own: Archive, run: Callable[..., Told]) -> None:
    assert run("reopen", "O4", "--at", "2026-03-28", at=own).code == 0
    told = run("close", "O4", "--at", "2026-03-29 10:00", "--with-gaps", at=own)
    assert told.code == 1
    assert "Recorded as closed with these gaps." in told.out
    # Before the last closing there is now a picture taken after the first.
    told = run("find", "--before-closing", "O4", "--json", at=own)
    assert [hit["file"] for hit in told.json["hits"]] == ["LV40_0003.jpg", "LV40_0002.jpg", "LV40_0001.jpg"]


def test_the_plan_goes_out_and_comes_in_again(own: Archive, run: Callable[..., Told], tmp_path: Path) -> None:
    toml, csv = tmp_path / "out.toml", tmp_path / "wires.csv"
    assert run("plan", "save", toml, at=own).code == 0
    assert toml.read_text(encoding="utf-8") == bench_archive.PLAN.read_text(encoding="utf-8")
    assert run("plan", "save", toml, at=own).code == 2, "never written over unasked"
    assert run("plan", "save", csv, "--json", at=own).json == {"form": "csv", "file": str(csv)}
    assert run("plan", "save", "-", "--json", at=own).json == {"form": "toml", "text": toml.read_text(encoding="utf-8")}
    csv.write_bytes(csv.read_bytes().replace(b"420", b"455"))
    told = run("plan", "load", csv, "--json", at=own)
    assert {change["id"] for change in told.json["changes"]} == {"W01", "W02"}
    runs = {each["id"]: each for each in run("plan", "show", "--json", at=own).json["runs"]}
    assert runs["W01"]["cut_length_mm"] == 455
    assert runs["W01"]["from"] == "BASE.J1.1"
    assert "Nothing changed" in run("plan", "load", csv, at=own).out


def test_a_plan_with_faults_names_their_lines(own: Archive, run: Callable[..., Told], tmp_path: Path) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text(
        '[build]\nname = "LV-40"\nzone = "Europe/Copenhagen"\n\n[[run]]\nid = "W01"\ncolour = "rd"\ngage = 3\n'
    )
    told = run("plan", "load", bad, at=own)
    assert told.code == 2
    assert "line 8" in told.err
    assert run("plan", "show", "--json", at=own).json["runs"], "the plan in force is as it was"


def test_what_pictures_refer_to_stays_in_the_plan(own: Archive, run: Callable[..., Told], tmp_path: Path) -> None:
    small = tmp_path / "small.toml"
    small.write_text('[build]\nname = "LV-40"\nzone = "Europe/Copenhagen"\n')
    told = run("plan", "load", small, "--json", at=own)
    kept = {change["id"] for change in told.json["changes"] if change["kind"] == "kept"}
    assert {"W03", "MAST", "O4"} <= kept
    assert run("find", "--run", "W03", "--json", at=own).json["total"] == 2


def test_ingest_again_knows_all_and_lists_problems(own: Archive, run: Callable[..., Told], tmp_path: Path) -> None:
    bench = own.root.parent / "bench"
    assert run("ingest", bench, "--json", at=own).json == {
        "added": 0, "known": 4, "stills": 0, "captions": 0, "linked": 0, "skipped": 0, "stopped": False,
        "problems": [],
    }  # fmt: skip
    (bench / "notes.jpg").write_text("no picture")
    told = run("ingest", bench, "--json", at=own)
    assert told.code == 1
    assert told.json["problems"][0]["file"].endswith("notes.jpg")
    assert run("problems", at=own).out.count("\n") == 1


def test_verify_and_rebuild(own: Archive, run: Callable[..., Told]) -> None:
    assert "all is well" in run("verify", at=own).out
    before = run("find", "--json", at=own).json
    told = run("rebuild", "--json", at=own)
    assert told.code == 0
    assert told.json["files"] == 4
    assert run("find", "--json", at=own).json == before
    original = next((own.root / "originals").rglob("*_0001.jpg"))
    original.chmod(0o644)
    original.write_bytes(original.read_bytes()[:-1])
    told = run("verify", "--json", at=own)
    assert told.code == 1
    assert [finding["kind"] for finding in told.json["findings"]] == ["original-changed"]


def test_a_clock_moves_its_cameras_pictures(own: Archive, run: Callable[..., Told]) -> None:
    camera = run("clock", "list", "--json", at=own).json["cameras"][0]["camera"]
    told = run("clock", "set", camera, "--error", "60", "--json", at=own)
    assert told.json["moved"] == 3
    assert run("find", "splice", "--json", at=own).json["hits"][0]["taken_at"] == "2026-03-24T14:49:18+01:00"
    run("undo", at=own)
    assert run("find", "splice", "--json", at=own).json["hits"][0]["taken_at"] == "2026-03-24T14:50:18+01:00"


def test_output_into_a_closed_pipe_is_no_error(archive: Archive) -> None:
    command = f"'{sys.executable}' -c 'from lastlook.cli.main import script; script()' find --archive '{archive.root}'"
    done = subprocess.run(
        ["bash", "-c", f"set -o pipefail; {command} | true"], capture_output=True, text=True, check=False
    )
    assert done.stderr == ""


def _break(monkeypatch: pytest.MonkeyPatch, error: Exception) -> None:
    """Let 'lastlook problems' meet `error` where nothing expects it."""

    def broken(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr("lastlook.catalogue.paths.problems", broken)


def test_what_the_disk_refuses_is_told_in_words(
    archive: Archive, run: Callable[..., Told], monkeypatch: pytest.MonkeyPatch
) -> None:
    _break(monkeypatch, OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), "derived/x.jpg"))
    told = run("problems", at=archive)
    assert told.code == 2
    assert told.err.splitlines()[0] == "lastlook: derived/x.jpg: no space left on device"
    assert len(told.err.splitlines()) == 2


def test_a_mistake_of_ours_is_told_in_words_or_whole(
    archive: Archive, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    _break(monkeypatch, KeyError("loop"))
    monkeypatch.setattr(sys, "argv", ["lastlook", "problems", "--archive", str(archive.root)])
    with pytest.raises(SystemExit) as ended:
        script()
    said = capfd.readouterr().err
    assert ended.value.code == 2
    assert "Traceback" not in said
    assert "KeyError: 'loop'" in said
    assert "LASTLOOK_TRACEBACK=1" in said
    monkeypatch.setenv("LASTLOOK_TRACEBACK", "1")
    with pytest.raises(KeyError):
        script()


def test_names_that_are_no_text_are_shown(own: Archive, run: Callable[..., Told]) -> None:
    folder = own.root.parent / "odd"
    folder.mkdir()
    bad = os.fsencode(folder) + b"/mast\xff\n\x1b[31m\xe2\x80\xaegpj.jpg"
    Path(os.fsdecode(bad)).write_bytes(b"no picture")
    told = run("ingest", folder, at=own)
    assert told.code == 1
    assert r"\n\x1b[31m\u202egpj.jpg: is no" in told.out.splitlines()[0], "one line, and no command to the terminal"


def test_the_list_of_commands_is_complete() -> None:
    assert {name.split()[0] for name, _ in commands()} == {*COMMANDS, "serve"}
