"""Open a catalogue; transactions; change counters; errors of SQLite in a builder's words."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from lastlook.catalogue import migrations
from lastlook.errors import ArchiveBusy, ArchiveDamaged

BUSY_SECONDS = 30.0
Row = tuple[Any, ...]


class Catalogue:
    """One connection to an archive's catalogue. Not shared between threads; close it, or use it in a `with`.

    Rows are read at any time; everything that changes a row runs inside `writing()`, one transaction that either
    commits whole or leaves nothing.
    """

    def __init__(self, path: Path, *, create: bool = False, look_only: bool = False) -> None:
        """Open; takes pending migrations. `look_only`: change nothing, not even those. Raises ArchiveDamaged,
        ArchiveBusy."""
        self.path = path
        if not create and not path.is_file():
            raise ArchiveDamaged(
                f"{path.name} is missing", "Run 'lastlook rebuild': it makes it anew from originals and decisions."
            )
        with _words(path):
            address = f"{path.absolute().as_uri()}?mode={'ro' if look_only else 'rwc' if create else 'rw'}"
            self._connection = sqlite3.connect(address, uri=True, timeout=BUSY_SECONDS, isolation_level=None)
        try:
            with _words(path):
                # FULL: a decision that was acknowledged survives a power cut, at the price of one fsync a transaction.
                if not look_only:
                    for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", "temp_store=MEMORY"):
                        self._connection.execute(f"PRAGMA {pragma}")
                later = migrations.unknown(self._connection)
                if later:
                    raise ArchiveDamaged(
                        f"{path.name} was written by a later version of lastlook ({', '.join(later)})",
                        "Install that version or a newer one.",
                    )
                if not look_only and migrations.pending(self._connection):
                    migrations.migrate(self._connection, path)
        except BaseException:
            self._connection.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        self._connection.close()

    @contextmanager
    def writing(self) -> Iterator[None]:
        """One transaction, taken at once so that it cannot fail half-way for another writer. May be nested."""
        if self.in_transaction():
            yield
            return
        with _words(self.path):
            self._connection.execute("BEGIN IMMEDIATE")
        try:
            yield
            with _words(self.path):
                self._connection.execute("COMMIT")
        except BaseException:
            if self.in_transaction():
                self._connection.execute("ROLLBACK")
            raise

    @contextmanager
    def reading(self) -> Iterator[None]:
        """One unchanging view over several reads. May be nested."""
        if self.in_transaction():
            yield
            return
        self._connection.execute("BEGIN")
        try:
            yield
        finally:
            if self.in_transaction():
                self._connection.execute("COMMIT")

    def in_transaction(self) -> bool:
        return self._connection.in_transaction

    # The methods below are for the modules of this package; nothing above writes SQL.

    def rows(self, sql: str, values: Sequence[object] | dict[str, object] = ()) -> list[Row]:
        with _words(self.path):
            return self._connection.execute(sql, values).fetchall()

    def row(self, sql: str, values: Sequence[object] | dict[str, object] = ()) -> Row | None:
        with _words(self.path):
            found: Row | None = self._connection.execute(sql, values).fetchone()
            return found

    def execute(self, sql: str, values: Sequence[object] | dict[str, object] = ()) -> int:
        """Run a change; returns the number of rows changed."""
        if not self.in_transaction():
            raise RuntimeError("a change outside of writing()")
        with _words(self.path):
            return self._connection.execute(sql, values).rowcount

    def execute_many(self, sql: str, values: Iterable[Sequence[object]]) -> None:
        if not self.in_transaction():
            raise RuntimeError("a change outside of writing()")
        with _words(self.path):
            self._connection.executemany(sql, values)

    def last_rid(self) -> int:
        row = self.row("SELECT last_insert_rowid()")
        return int(row[0]) if row else 0

    def counters(self) -> dict[str, int]:
        """How often times, tags and plan have changed: what a cache compares."""
        return {str(name): int(value) for name, value in self.rows("SELECT name, value FROM counter")}

    def count_up(self, name: str) -> None:
        self.execute("UPDATE counter SET value = value + 1 WHERE name = ?", (name,))

    def integrity(self) -> list[str]:
        """What SQLite itself finds wrong with the file; empty where all is well."""
        try:
            found = [str(row[0]) for row in self._connection.execute("PRAGMA integrity_check(20)")]
            broken = [f"{row[0]} row {row[1]} points to nothing in {row[2]}" for row in self._foreign_faults()]
        except sqlite3.DatabaseError as error:
            return [str(error)]
        return [line for line in found if line != "ok"] + broken

    def _foreign_faults(self) -> list[Row]:
        return self._connection.execute("PRAGMA foreign_key_check").fetchmany(20)


@contextmanager
def _words(path: Path) -> Iterator[None]:
    try:
        yield
    except sqlite3.OperationalError as error:
        text = str(error)
        if "locked" in text or "busy" in text:
            raise ArchiveBusy(
                f"another program has been writing to {path.parent} for more than {BUSY_SECONDS:.0f} s",
                "Wait until it has finished, then try again.",
            ) from error
        if "full" in text:
            raise ArchiveDamaged("the disk is full", "Make room; nothing that was saved before is lost.") from error
        if "readonly" in text or "unable to open" in text:
            raise ArchiveDamaged(f"{path} cannot be opened for writing", "Check the folder's permissions.") from error
        raise
    except sqlite3.DatabaseError as error:
        if isinstance(error, sqlite3.IntegrityError | sqlite3.ProgrammingError):
            raise
        raise ArchiveDamaged(
            f"{path.name} is damaged: {error}",
            "Put back a copy, or run 'lastlook rebuild': it makes it anew from originals and decisions.",
        ) from error
