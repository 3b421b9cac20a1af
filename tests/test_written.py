"""Files that commands write: never among the originals, never over one, never over another without --force."""

from __future__ import annotations

import os
from pathlib import Path

import click
import pytest

from lastlook.archive import Archive
from lastlook.cli.main import main, root
from tests import archives

CLOCK = ("clock", "card", "--png")
WRITING = (
    ("card", "MAST", "-o"),
    ("plan", "save"),
    ("align", "p0", "p1", "--out"),
    ("changes", "p0", "p1", "--out"),
    ("locate", "W03", "--on", "p0", "--pdf"),
    ("locate", "W03", "--on", "p0", "--png"),
    ("locate", "W03", "--on", "p0", "--svg"),
)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> tuple[Archive, Path]:
    """An archive with one photo in its originals and one that is left where it is."""
    folder = tmp_path_factory.mktemp("written")
    made = archives.make(folder / "lv40")
    (folder / "in").mkdir()
    archives.take(made, archives.photo(folder / "in" / "one.jpg", 1))
    left = archives.photo(folder / "left.jpg", 2)
    archives.take(made, left, leave_in_place=True)
    return made, left


def call(command: tuple[str, ...], out: Path, made: Archive, *more: str) -> int:
    where = [] if command == CLOCK else ["--archive", str(made.root)]
    return main([*command, str(out), *more, *where])


@pytest.mark.parametrize("command", [*WRITING, CLOCK], ids=" ".join)
@pytest.mark.parametrize("by", ["direct", "symlink", "dots", "over"])
def test_nothing_is_written_among_the_originals(
    command: tuple[str, ...], by: str, kept: tuple[Archive, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    made, _ = kept
    original = next(made.originals.rglob("*.jpg"))
    (tmp_path / "link").symlink_to(original.parent, target_is_directory=True)
    out = {
        "direct": original.parent / "new",
        "symlink": tmp_path / "link" / "new",
        "dots": made.index / ".." / "originals" / original.parent.relative_to(made.originals) / "new",
        "over": original,
    }[by]
    before = archives.state(made.originals)
    assert call(command, out, made, "--force") == 2
    said = capsys.readouterr().err
    assert "among the archive's originals" in said
    assert "outside of it" in said
    assert archives.state(made.originals) == before


@pytest.mark.parametrize("command", WRITING, ids=" ".join)
@pytest.mark.parametrize("part", ["decisions.jsonl", "Catalogue.db", "lastlook.toml", "derived/new", "index/CURRENT"])
def test_no_part_of_the_archive_is_written_over(
    command: tuple[str, ...], part: str, kept: tuple[Archive, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    made, _ = kept
    before = archives.state(made.root)
    assert call(command, made.root / part, made, "--force") == 2
    assert "is kept by the archive itself" in capsys.readouterr().err
    assert archives.state(made.root) == before


@pytest.mark.parametrize("command", WRITING, ids=" ".join)
@pytest.mark.parametrize("by", ["direct", "hard link"])
def test_an_original_left_in_its_place_is_never_written_over(
    command: tuple[str, ...], by: str, kept: tuple[Archive, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    made, left = kept
    out = left
    if by == "hard link":
        out = tmp_path / "other.jpg"
        os.link(left, out)
    before = left.read_bytes()
    assert call(command, out, made, "--force") == 2
    assert "is an original of the archive" in capsys.readouterr().err
    assert out.read_bytes() == left.read_bytes() == before


@pytest.mark.parametrize("command", [*WRITING, CLOCK], ids=" ".join)
def test_a_file_that_is_there_is_written_over_only_when_asked(
    command: tuple[str, ...], kept: tuple[Archive, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "there.pdf"
    out.write_text("mine")
    assert call(command, out, kept[0]) == 2
    assert "--force" in capsys.readouterr().err
    assert out.read_text() == "mine"


@pytest.mark.parametrize("command", [("card", "MAST", "-o"), ("plan", "save"), CLOCK], ids=" ".join)
def test_it_is_written_over_when_asked(command: tuple[str, ...], kept: tuple[Archive, Path], tmp_path: Path) -> None:
    out = tmp_path / "there"
    out.write_text("mine")
    assert call(command, out, kept[0], "--force") == 0
    assert out.read_bytes()[:4] != b"mine"
    assert [one.name for one in tmp_path.iterdir()] == ["there"]


def test_every_option_says_what_it_does() -> None:
    silent: list[str] = []

    def walk(command: click.Command, name: str) -> int:
        if isinstance(command, click.Group):
            context = click.Context(command)
            parts = [(word, command.get_command(context, word)) for word in command.list_commands(context)]
            return sum(walk(part, f"{name} {word}") for word, part in parts if part is not None)
        silent.extend(
            f"{name} {one.opts[0]}" for one in command.params if isinstance(one, click.Option) and not one.help
        )
        return 1

    assert walk(root, "lastlook") > 60
    assert not silent
