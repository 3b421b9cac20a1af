"""Opening a catalogue of every earlier schema: nothing is lost, what follows is filled in, a copy is kept beside it.

Each step is tested from the state just before it: a catalogue is made from the SQL of the steps up to there and filled
with what a real archive holds. A step added later is covered by the same test.
"""

from __future__ import annotations

import multiprocessing
import sqlite3
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing
from pathlib import Path

import pytest

from lastlook.archive import Archive
from lastlook.catalogue import Catalogue, dump, migrations
from lastlook.errors import ArchiveDamaged
from tests import archives
from tests.archives import contents, take


@pytest.fixture(scope="module")
def taken(bench: Path, tmp_path_factory: pytest.TempPathFactory) -> Archive:
    """A real archive with captions, a motion clip, problems; look, do not change."""
    made = archives.make(tmp_path_factory.mktemp("taken") / "lv40")
    take(made, bench / "hull-f", bench / "odd", bench / "mast loom")
    return made


def of_schema(steps: int, path: Path, content: Path) -> None:
    """Make a catalogue of the first `steps` steps at `path`, with as much of `content` as it can hold."""
    with closing(sqlite3.connect(path, isolation_level=None)) as old:
        old.execute("PRAGMA journal_mode=WAL")
        old.execute("CREATE TABLE migration (name TEXT PRIMARY KEY, applied_at TEXT NOT NULL) STRICT")
        for name, step in migrations.STEPS[:steps]:
            step(old)
            old.execute("INSERT INTO migration VALUES (?, 'then')", (name,))
        old.execute("ATTACH ? AS new", (str(content),))
        tables = [row[0] for row in old.execute("SELECT name FROM main.sqlite_master WHERE type='table'")]
        for table in tables:
            if table == "migration":
                continue
            there = {row[1] for row in old.execute(f"PRAGMA new.table_info({table})")}
            columns = ", ".join(row[1] for row in old.execute(f"PRAGMA main.table_info({table})") if row[1] in there)
            old.execute(f"DELETE FROM main.{table}")
            old.execute(f"INSERT INTO main.{table} ({columns}) SELECT {columns} FROM new.{table}")


def tables_of(path: Path) -> dict[str, list[tuple[object, ...]]]:
    with closing(sqlite3.connect(path)) as connection:
        names = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type='table'")]
        return {name: sorted(connection.execute(f"SELECT * FROM {name}").fetchall(), key=repr) for name in names}


@pytest.mark.parametrize("steps", range(1, len(migrations.STEPS)))
def test_each_step_from_the_schema_before_it(taken: Archive, tmp_path: Path, steps: int) -> None:
    path = tmp_path / "catalogue.db"
    of_schema(steps, path, taken.catalogue)
    before = tables_of(path)
    with Catalogue(path) as catalogue:
        assert dump.dump(catalogue) == contents(taken), "something was lost, or did not follow"
        assert catalogue.integrity() == []
        assert not migrations.pending(catalogue._connection)
    for name, _ in migrations.STEPS[steps:]:
        assert (tmp_path / f"catalogue.before-{name}.db").is_file()
    first = tmp_path / f"catalogue.before-{migrations.STEPS[steps][0]}.db"
    assert tables_of(first) == before, "the copy is not what was there"
    assert not list(tmp_path.glob("*.part"))


def test_an_older_catalogue_is_not_changed_by_merely_looking(taken: Archive, tmp_path: Path) -> None:
    path = tmp_path / "catalogue.db"
    of_schema(1, path, taken.catalogue)
    before = path.read_bytes()
    with Catalogue(path, look_only=True) as catalogue:
        assert migrations.pending(catalogue._connection)
    assert path.read_bytes() == before
    assert [item.name for item in tmp_path.iterdir()] == ["catalogue.db"]


def test_a_step_that_fails_leaves_the_catalogue_as_it_was(
    taken: Archive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "catalogue.db"
    of_schema(len(migrations.STEPS), path, taken.catalogue)
    before = tables_of(path)

    def half_way(connection: sqlite3.Connection) -> None:
        connection.execute("DELETE FROM tag")
        raise RuntimeError("power cut")

    monkeypatch.setattr(migrations, "STEPS", (*migrations.STEPS, ("half_way", half_way)))
    with pytest.raises(RuntimeError):
        Catalogue(path)
    assert tables_of(path) == before


def test_a_fresh_catalogue_needs_no_copies(tmp_path: Path) -> None:
    with Catalogue(tmp_path / "catalogue.db", create=True):
        pass
    assert [item.name for item in tmp_path.iterdir()] == ["catalogue.db"]


def test_one_of_a_later_version_is_refused(taken: Archive, tmp_path: Path) -> None:
    path = tmp_path / "catalogue.db"
    of_schema(len(migrations.STEPS), path, taken.catalogue)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("INSERT INTO migration VALUES ('schema_999', 'later')")
        connection.commit()
    with pytest.raises(ArchiveDamaged, match=r"later version.*schema_999"):
        Catalogue(path)


def _open(path: str) -> bool:
    with Catalogue(Path(path)) as catalogue:
        return not migrations.pending(catalogue._connection)


def test_several_processes_meet_an_old_one_at_once(taken: Archive, tmp_path: Path) -> None:
    path = tmp_path / "catalogue.db"
    of_schema(1, path, taken.catalogue)
    before = tables_of(path)
    with ProcessPoolExecutor(4, mp_context=multiprocessing.get_context("forkserver")) as pool:
        assert all(pool.map(_open, [str(path)] * 4))
    with Catalogue(path) as catalogue:
        assert dump.dump(catalogue) == contents(taken)
    name = migrations.STEPS[1][0]
    assert tables_of(tmp_path / f"catalogue.before-{name}.db") == before
