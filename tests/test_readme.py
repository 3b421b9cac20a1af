"""README.md is run: each transcript is typed again over the demonstration archive, and its output compared.

In a transcript a line that is only "…" stands for any number of lines, and "…" inside a line for anything.
"""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from lastlook.archive import Archive
from lastlook.cli.main import main
from tests import lightship

README = Path(__file__).resolve().parent.parent / "README.md"


def transcripts() -> list[tuple[str, str]]:
    """(command, expected output) of every ```console block, in order."""
    found: list[tuple[str, str]] = []
    for block in re.findall(r"```console\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL):
        for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            command, _, output = part.partition("\n")
            if command.startswith("lastlook "):
                found.append((command, output))
    return found


def fits(expected: str, got: str) -> bool:
    pattern = ""
    for line in expected.rstrip("\n").split("\n"):
        if line.strip() == "…":
            pattern += r"(?:.*\n)*?"
        else:
            pattern += ".*?".join(re.escape(part) for part in line.split("…")) + r"\n"
    return re.fullmatch(pattern, got.rstrip("\n") + "\n") is not None


def test_there_are_transcripts() -> None:
    assert len(transcripts()) >= 5


def test_every_transcript_is_what_the_program_says(
    lightship_archive: Archive,
    tmp_path: Path,
    capfd: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    own = lightship.copy(lightship_archive, tmp_path)
    own.root.rename(tmp_path / "lightship-demo")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("LASTLOOK_ARCHIVE", "lightship-demo")
    monkeypatch.setenv("LASTLOOK_BY", "builder")
    wrong = []
    for command, expected in transcripts():
        main(shlex.split(command)[1:])
        out, err = capfd.readouterr()
        if not fits(expected, out + err):
            wrong.append(f"$ {command}\nREADME has:\n{expected}\nbut it says:\n{out}{err}")
    assert not wrong, "\n\n".join(wrong)


def test_it_opens_with_the_job() -> None:
    first = README.read_text(encoding="utf-8").split("\n\n")[1]
    assert not first.startswith(("#", "```", "!", "["))
    assert len(first) > 300
