"""A catalogue damaged anywhere: every command answers with words, never a traceback, and a rebuild mends it."""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from lastlook import deciding, verify
from lastlook.archive import Archive, open_at
from lastlook.catalogue import pictures
from lastlook.cli.main import main
from lastlook.deciding import Target
from lastlook.rebuild import rebuild
from lastlook.records import Dimension
from lastlook.store import Store
from tests import archives
from tests.archives import Inline, contents, photo, take


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    folder = tmp_path_factory.mktemp("whole")
    made = archives.make(folder / "lv40")
    for number in range(4):
        photo(folder / "MAST" / f"IMG_{number}.jpg", 80 + number, f"2026:03:1{number} 10:00:00")
    take(made, folder / "MAST")
    with Store(made, by="Ada") as store:
        for rid in pictures.every_rid(store.catalogue):
            id = pictures.by_rids(store.catalogue, [rid])[0].id
            deciding.tag(store, [id], [Target(Dimension.RUN, "W03")], f"splice {rid}")
        deciding.close(store, "O4", "2026-03-27")
    return made


def commands(where: Archive, picture: str, bench: Path) -> list[list[str]]:
    given = ["--archive", str(where.root)]
    return [
        ["find", "splice", "--json", *given],
        ["find", "--run", "W03", "--before-closing", "O4", *given],
        ["show", picture, *given],
        ["timeline", "MAST", *given],
        ["history", *given],
        ["problems", *given],
        ["clock", "list", *given],
        ["plan", "show", *given],
        ["tag", picture, "--run", "W04", *given],
        ["undo", *given],
        ["ingest", str(bench), "--quiet", *given],
        ["verify", "--quick", "--quiet", *given],
    ]


def scattered(seed: int) -> Callable[[bytes], bytes]:
    def damage(content: bytes) -> bytes:
        chance = random.Random(seed)
        changed = bytearray(content)
        for _ in range(60):
            changed[chance.randrange(100, len(changed))] ^= 1 << chance.randrange(8)
        return bytes(changed)

    return damage


def in_words(seed: int) -> Callable[[bytes], bytes]:
    """Only in bytes that are text, where SQLite itself notices nothing."""

    def damage(content: bytes) -> bytes:
        chance = random.Random(seed)
        changed = bytearray(content)
        places = [at for at, byte in enumerate(content) if at > 40_000 and chr(byte) in '{}":,abcdefTZ']
        for at in chance.sample(places, 60):
            changed[at] = ord("#")
        return bytes(changed)

    return damage


def pages(content: bytes) -> bytes:
    changed = bytearray(content)
    for page in range(2, len(content) // 4096):
        changed[page * 4096] ^= 0xFF
    return bytes(changed)


DAMAGE: dict[str, Callable[[bytes], bytes]] = {
    "empty": lambda content: b"",
    "cut": lambda content: content[: len(content) // 2],
    "cut within a page": lambda content: content[: len(content) // 3 // 4096 * 4096 + 100],
    "text": lambda content: b"this is no catalogue\n" * 1000,
    "zeros": lambda content: bytes(len(content)),
    "head": lambda content: bytes([content[0] ^ 0xFF]) + content[1:],
    "pages": pages,
    **{f"scattered {seed}": scattered(seed) for seed in range(4)},
    **{f"in words {seed}": in_words(seed) for seed in range(5)},
}


@pytest.mark.parametrize("name", DAMAGE)
def test_every_command_answers_in_words(
    whole: Archive, tmp_path: Path, name: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LASTLOOK_BY", "Ada")
    root = tmp_path / "lv40"
    shutil.copytree(whole.root, root)
    where = open_at(root)
    picture = str(contents(whole)["picture"][0][0])
    fresh = photo(tmp_path / "MAST" / "IMG_9.jpg", 89)
    damaged = DAMAGE[name](where.catalogue.read_bytes())
    lines = where.decisions.read_bytes()
    for command in commands(where, picture, fresh):
        where.catalogue.write_bytes(damaged)
        for ending in ("-wal", "-shm"):
            where.catalogue.with_name(f"catalogue.db{ending}").unlink(missing_ok=True)
        where.decisions.write_bytes(lines)
        code = main(command)  # anything but words and a code would be raised here
        said = capsys.readouterr()
        assert code in (0, 1, 2), command
        assert "Traceback" not in said.err + said.out
        if code == 2:
            assert len(said.err.strip().splitlines()) >= 2, "what is wrong, and what to do"
    where.catalogue.write_bytes(damaged)
    shutil.rmtree(where.incoming)
    where.incoming.mkdir()
    rebuild(where, executor=Inline())
    assert contents(where) == contents(whole)
    assert verify.verify(where).findings == ()
    assert [item.name for item in where.incoming.iterdir()] == ["ingest.lock"]
