"""Open a catalogue; transactions; change counters; errors of SQLite in a builder's words."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from lastlook.catalogue import migrations
from lastlook.errors import ArchiveBusy, ArchiveDamaged, ArchiveError

BUSY_SECONDS = 30.0
_NO_ROOM = (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR_SHMSIZE)
Row = tuple[Any, ...]


class Catalogue:
    """One connection to an archive's catalogue. Not shared between threads; close it, or use it in a `with`.

    Rows are read at any time; everything that changes a row runs inside `writing()`, one transaction that either
    commits whole or leaves nothing.
    """

    def __init__(self, path: Path, *, create: bool = False, look_only: bool = False) -> None:
        """Open; takes pending migrations. `look_only`: change nothing, not even those; what is looked at is a copy in
        memory, one unchanging view however long looking takes. Where the file or its folder may not be written (a
        backup, a locked card), it can be asked all the same, and every change is refused. Raises ArchiveDamaged,
        ArchiveBusy, ArchiveError."""
        self._writing = False
        self.path = path
        self._look_only = look_only
        if not create and not path.is_file():
            raise ArchiveDamaged(
                f"{path.name} is missing", "Run 'lastlook rebuild': it makes it anew from originals and decisions."
            )
        fixed = not create and not (os.access(path, os.W_OK) and os.access(path.parent, os.W_OK))
        with _words(path):
            address = f"{path.absolute().as_uri()}?{_mode(path, create=create, look_only=look_only or fixed)}"
            self._connection = sqlite3.connect(address, uri=True, timeout=BUSY_SECONDS, isolation_level=None)
            if not (create or look_only or fixed) and _has_no_room(self._connection, path):
                fixed = True  # a full disk is no reason to show nothing; what is asked to be changed is refused
                self._connection.close()
                address = f"{path.absolute().as_uri()}?{_mode(path, create=False, look_only=True)}"
                self._connection = sqlite3.connect(address, uri=True, timeout=BUSY_SECONDS, isolation_level=None)
        try:
            with _words(path):
                if look_only:
                    self._connection = _in_memory(self._connection)
                if not create and not migrations.taken(self._connection):
                    # An empty file is an empty database to SQLite; answering "no pictures" from it would be a lie.
                    raise ArchiveDamaged(
                        f"{path.name} is empty or is no catalogue",
                        "Put back a copy, or run 'lastlook rebuild': it makes it anew from originals and decisions.",
                    )
                # FULL: a decision that was acknowledged survives a power cut, at the price of one fsync a transaction.
                if not look_only and not fixed:
                    for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", "temp_store=MEMORY"):
                        self._connection.execute(f"PRAGMA {pragma}")
                later = migrations.unknown(self._connection)
                if later:
                    raise ArchiveDamaged(
                        f"{path.name} was written by a later version of lastlook ({', '.join(later)})",
                        "Install that version or a newer one.",
                    )
                if not look_only and migrations.pending(self._connection):
                    if fixed:
                        raise ArchiveError(
                            f"{path} is from an earlier version, and cannot be brought up to date where it lies",
                            "Make the folder writable, or copy the archive to a disk that is.",
                        )
                    migrations.migrate(self._connection, path)
                self._inode = path.stat().st_ino
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
        try:
            # Inside the try: an interrupt that arrives just after it must not leave the transaction open.
            with _words(self.path):
                self._connection.execute("BEGIN IMMEDIATE")
            self._check_in_place()
            self._writing = True
            yield
            with _words(self.path):
                self._connection.execute("COMMIT")
        except BaseException:
            if self.in_transaction():
                with suppress(sqlite3.Error):  # a full disk may have rolled it back already
                    self._connection.execute("ROLLBACK")
            raise
        finally:
            self._writing = False

    def _check_in_place(self) -> None:
        """A rebuild may have put another file in our file's place: what is written to ours would be lost."""
        try:
            moved = self.path.stat().st_ino != self._inode
        except FileNotFoundError:
            moved = True
        if moved:
            raise ArchiveBusy(f"{self.path.name} was made anew in the meantime", "Try again; nothing was recorded.")

    @contextmanager
    def reading(self) -> Iterator[None]:
        """One unchanging view over several reads. May be nested."""
        if self.in_transaction():
            yield
            return
        with _words(self.path):
            self._connection.execute("BEGIN")
        try:
            yield
        finally:
            if self.in_transaction():
                with _words(self.path):
                    self._connection.execute("COMMIT")

    def in_transaction(self) -> bool:
        return self._connection.in_transaction

    def is_writing(self) -> bool:
        """Whether a transaction is open that may have changed rows: what is read in it may yet be taken back."""
        return self.in_transaction() and self._writing

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

    def copy_to(self, path: Path) -> None:
        """Write a copy of the catalogue as it stands to `path`, whole or not at all."""
        with _words(self.path):
            migrations.keep_copy(self.path, path)

    @contextmanager
    def taking_over(self, other: Path) -> Iterator[None]:
        """Replace the whole content by that of another catalogue, in one transaction, at the end of the block; what
        the block raises prevents it.

        Another file is never put in the place of one that may be open: SQLite knows a write-ahead log by its name only,
        and would apply or remove the wrong one.
        """
        with _words(self.path):
            self._connection.execute("ATTACH ? AS other", (str(other),))
        try:
            with self.writing():
                yield
                self.execute("PRAGMA defer_foreign_keys=ON")
                found = self.rows(
                    "SELECT name FROM main.sqlite_master WHERE type='table' AND name NOT LIKE 'sqlite%' ORDER BY rowid"
                )
                tables = [row[0] for row in found]  # in the order of creation: what is referred to comes first
                for table in reversed(tables):
                    self.execute(f'DELETE FROM main."{table}"')
                for table in tables:
                    self.execute(f'INSERT INTO main."{table}" SELECT * FROM other."{table}"')
        finally:
            with _words(self.path):
                self._connection.execute("DETACH other")

    def execute_many(self, sql: str, values: Iterable[Sequence[object]]) -> None:
        if not self.in_transaction():
            raise RuntimeError("a change outside of writing()")
        with _words(self.path):
            self._connection.executemany(sql, values)

    def last_rid(self) -> int:
        row = self.row("SELECT last_insert_rowid()")
        return int(row[0]) if row else 0

    def counters(self) -> dict[str, int]:
        """How often times, tags, plan and closings have changed: what a cache compares."""
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


def _mode(path: Path, *, create: bool, look_only: bool) -> str:
    """How SQLite is to open the file. Merely looking at a catalogue that nobody has open must leave no trace beside it;
    one that is in use, or was left by a killed process, has a write-ahead log that must be read along."""
    if not look_only:
        return "mode=rwc" if create else "mode=rw"
    log = path.with_name(path.name + "-wal")
    return "mode=ro" if log.exists() and log.stat().st_size else "mode=ro&immutable=1"


def _has_no_room(connection: sqlite3.Connection, path: Path) -> bool:
    """Whether the disk has not even the few kilobytes by which those who read and write tell of each other, and all
    that was written is in the file itself."""
    try:
        connection.execute("SELECT 1 FROM sqlite_master LIMIT 1").fetchone()
    except sqlite3.OperationalError as error:
        log = path.with_name(path.name + "-wal")
        return error.sqlite_errorcode in _NO_ROOM and not (log.exists() and log.stat().st_size)
    except sqlite3.DatabaseError:
        return False  # told of in words where it is read
    return False


def _in_memory(source: sqlite3.Connection) -> sqlite3.Connection:
    copy = sqlite3.connect(":memory:", isolation_level=None)
    try:
        source.backup(copy)
    except BaseException:
        copy.close()
        raise
    source.close()
    return copy


@contextmanager
def _words(path: Path) -> Iterator[None]:
    """Errors of SQLite in a builder's words. What can only be a mistake of ours stays what it is."""
    try:
        yield
    except (sqlite3.IntegrityError, sqlite3.ProgrammingError, sqlite3.InterfaceError):
        raise
    except sqlite3.DatabaseError as error:
        code = getattr(error, "sqlite_errorcode", None)
        primary = code & 0xFF if code is not None else None
        if primary in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            raise ArchiveBusy(
                f"another program has been writing to {path.parent} for more than {BUSY_SECONDS:.0f} s",
                "Wait until it has finished, then try again.",
            ) from error
        if primary == sqlite3.SQLITE_FULL or code in _NO_ROOM:
            raise ArchiveError("the disk is full", "Make room; nothing that was saved before is lost.") from error
        if primary in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
            raise ArchiveError(
                f"{path.parent} cannot be written to, so nothing can be changed",
                "Make room on its disk or make the folder writable, or copy the archive to a disk that is.",
            ) from error
        if primary == sqlite3.SQLITE_IOERR:
            raise ArchiveError(
                f"{path} could not be read or written: {error}", "Check the disk, then try again."
            ) from error
        if primary == sqlite3.SQLITE_ERROR and "no such" not in str(error):
            raise
        raise damaged(error) from error


def damaged(why: object) -> ArchiveDamaged:
    """The error for a catalogue that cannot be read, or whose rows mean nothing."""
    return ArchiveDamaged(
        f"the catalogue is damaged: {why}",
        "Put back a copy, or run 'lastlook rebuild': it makes it anew from originals and decisions.",
    )


@contextmanager
def meaning(what: str) -> Iterator[None]:
    """Turning rows into records: what fails there is a row that was damaged."""
    try:
        yield
    except (ValueError, TypeError, KeyError, AttributeError, OverflowError) as error:
        raise damaged(f"{what} cannot be read ({type(error).__name__}: {error})") from error
