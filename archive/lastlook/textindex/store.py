"""The text index on disk: opening, asking, replacing, removing, rebuilding, checking.

    index/
      CURRENT        the name of the generation in use, one line
      LOCK           held by whoever writes
      g1-3f9a…/      one generation: Whoosh's files; "1" is the version of the cutting (`schema.VERSION`)

A rebuild writes a new generation beside the old one, forces it to disk and then names it in CURRENT by one atomic
replacement, so that a reader meets the old state or the new one and a kill leaves either. Small changes are commits of
Whoosh inside a generation. The index is disposable: whatever goes wrong while reading is a `TextIndexError`, and the
caller rebuilds from the catalogue.
"""

from __future__ import annotations

import re
import secrets
import shutil
import threading
import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from lastlook.errors import ArchiveBusy, LastlookError, TextIndexError
from lastlook.textindex import match, spelling
from lastlook.textindex.match import Evaluation, Together, WordCount
from lastlook.textindex.query import ParsedQuery, Word, spell, wanted

CURRENT = "CURRENT"
LOCK = "LOCK"
WAIT_S = 30.0  # for another process that writes
READ_TRIES = 20  # a commit or a rebuild elsewhere may take files away while we open them
LARGEST_RID = 2**31 - 1
_GENERATION = re.compile(r"g(\d+)-[0-9a-f]{16}\Z")
_HINT = "It is disposable: 'lastlook rebuild' makes it anew from the catalogue."


@dataclass(frozen=True, slots=True)
class Document:
    """What is searched for one row: `rid` (0 to 2³¹−1) and its text; lines are separate for phrases."""

    rid: int
    text: str


@dataclass(frozen=True, slots=True)
class Matches:
    """Row ids that match, ascending (int32), and their scores in the same order (float32) where asked for."""

    rids: NDArray[np.int32]
    scores: NDArray[np.float32] | None


@dataclass(frozen=True, slots=True)
class Explanation:
    """Why a question finds what it finds: hits of each part, and which parts occur together where all never do."""

    words: tuple[WordCount, ...]
    together: tuple[Together, ...]


_lexica: dict[tuple[str, int], list[str]] = {}
_LEXICA = 2


def _lexicon(state: tuple[str, int] | None, snapshot: Any) -> list[str]:
    """Every word of an index in one state, kept for all that is open of it: each page a viewer makes opens it anew.

    Two threads may read it twice; what they read is the same.
    """
    if state is None:
        return list(snapshot.terms("raw"))
    kept = _lexica.get(state)
    if kept is None:
        kept = snapshot.terms("raw")
        for old in list(_lexica)[: max(0, len(_lexica) + 1 - _LEXICA)]:
            _lexica.pop(old, None)
        _lexica[state] = kept
    return kept


class TextIndex:
    """The text index of one archive, in its own folder. May be used from several threads; close it at the end."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._turn = threading.RLock()  # a Whoosh reader that two threads share gives wrong answers, silently
        self._snapshot: Any = None
        self._state: tuple[str, int] | None = None

    # ------------------------------------------------------------------------------------------------ making, opening

    @classmethod
    def open(cls, folder: Path) -> Self:
        """Open the index in `folder`. TextIndexError where there is none, or one of another version."""
        index = cls(folder)
        index._generation()
        return index

    @classmethod
    def create(cls, folder: Path) -> Self:
        """Make an empty index in `folder`, in place of any that is there, and open it."""
        folder.mkdir(parents=True, exist_ok=True)
        index = cls(folder)
        index.rebuild(())
        return index

    @classmethod
    def exists(cls, folder: Path) -> bool:
        """Whether an index of this version is there (it may still turn out damaged)."""
        try:
            cls(folder)._generation()
        except TextIndexError:
            return False
        return True

    def close(self) -> None:
        """Close all files. The index may be used again afterwards."""
        with self._turn:
            self._drop()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # ---------------------------------------------------------------------------------------------------------- asking

    def match(self, query: ParsedQuery, *, scores: bool = False) -> Matches:
        """Row ids of the documents that match, and scores where asked. A query without words matches nothing."""
        if query.root is None:
            return Matches(np.empty(0, dtype=np.int32), np.empty(0, dtype=np.float32) if scores else None)
        with self._reading() as snapshot:
            evaluation = Evaluation(snapshot)
            docs = evaluation.documents(query.root)
            rids = snapshot.rids[docs]
            order = None if rids.size < 2 or bool((rids[1:] > rids[:-1]).all()) else np.argsort(rids, kind="stable")
            rated = evaluation.scores(query.root, docs) if scores else None
        if order is not None:
            rids = rids[order]
            rated = rated[order] if rated is not None else None
        return Matches(rids, rated)

    def explain(self, query: ParsedQuery) -> Explanation:
        """Hits of each word; and where every word is known but never all at once, which of them occur together."""
        if query.root is None:
            return Explanation((), ())
        with self._reading() as snapshot:
            evaluation = Evaluation(snapshot)
            return Explanation(match.word_counts(evaluation, query.root), match.occur_together(evaluation, query.root))

    def nearest(self, query: ParsedQuery, vocabulary: Iterable[str] = ()) -> Mapping[str, tuple[str, ...]]:
        """For each wanted word that no document holds: known words near it (none where nothing is near).

        `vocabulary`: the plan's own words and ids, offered as the plan writes them.
        """
        names = tuple(vocabulary)
        found: dict[str, tuple[str, ...]] = {}
        with self._reading() as snapshot:
            evaluation = Evaluation(snapshot)
            for leaf in dict.fromkeys(wanted(query.root)):
                words = (leaf.token,) if isinstance(leaf, Word) else getattr(leaf, "tokens", ())
                for word in words:
                    if not evaluation.leaf(Word(word)).docs.size and spell(Word(word)) not in found:
                        found[word] = spelling.nearest(word, _lexicon(self._state, snapshot), names)
        return found

    def rids(self) -> NDArray[np.int32]:
        """Row ids of all documents, ascending: for comparing with the catalogue."""
        with self._reading() as snapshot:
            return np.sort(snapshot.rids[snapshot.live])

    # --------------------------------------------------------------------------------------------------------- writing

    def replace(self, documents: Iterable[Document]) -> None:
        """Put documents in, each in place of any of the same row id; the last of a repeated id counts. One commit."""
        batch = {document.rid: document for document in map(_valid, documents)}
        if batch:
            self._commit(batch.keys(), list(batch.values()))

    def remove(self, rids: Iterable[int]) -> None:
        """Take documents out. Unknown row ids are no error."""
        gone = {int(rid) for rid in rids}
        if gone:
            self._commit(gone, [])

    def rebuild(self, documents: Iterable[Document]) -> None:
        """Make the whole index anew from `documents` (each row id once) and take it into use at the end."""
        from lastlook.textindex import files, schema

        self.folder.mkdir(parents=True, exist_ok=True)
        with self._writing():
            name = f"g{schema.VERSION}-{secrets.token_hex(8)}"
            place = self.folder / name
            place.mkdir()
            try:
                with _whoosh_fails("could not be built"):
                    files.build(place, _fields_of(documents))
                files.force_to_disk(place)
                files.replace_text(self.folder / CURRENT, name + "\n")
            except BaseException:
                shutil.rmtree(place, ignore_errors=True)
                raise
            self._remove_old(name)
        with self._turn:
            self._drop()

    # -------------------------------------------------------------------------------------------------------- checking

    def check(self) -> tuple[str, ...]:
        """Read everything there is and list what is wrong, one plain line each. Changes nothing."""
        findings: list[str] = []
        try:
            name = self._generation()
            with self._reading() as snapshot:
                rids = snapshot.rids[snapshot.live]
                doubled = rids.size - np.unique(rids).size
                if doubled:
                    findings.append(f"the text index holds {doubled} row id(s) twice")
                for field in ("text", "raw"):
                    total = 0.0
                    for term in snapshot.terms(field):
                        total += float(snapshot.postings(field, term).counts.sum())
                        if field == "raw":
                            snapshot.places(term)
                    if field == "text" and total != float(snapshot.sizes[snapshot.live].sum()):
                        findings.append("the text index does not hold as many words as its documents have")
        except TextIndexError as error:
            return (*findings, error.message)
        for place in sorted(self.folder.iterdir()):
            if place.name not in (CURRENT, LOCK, name):
                findings.append(f"the text index folder holds {place.name!r}, which is not in use")
        return tuple(findings)

    # -------------------------------------------------------------------------------------------------------- the rest

    def _generation(self) -> str:
        from lastlook.textindex import schema  # late: opening an archive should not cost importing Whoosh unless used

        try:
            name = (self.folder / CURRENT).read_text(encoding="ascii").strip()
        except FileNotFoundError:
            raise TextIndexError("there is no text index yet", _HINT) from None
        except (OSError, UnicodeDecodeError) as error:
            raise TextIndexError(f"the text index cannot be read ({error})", _HINT) from error
        named = _GENERATION.match(name)
        if named is None:
            raise TextIndexError("the text index cannot be read (CURRENT names no generation)", _HINT)
        if int(named[1]) != schema.VERSION:
            raise TextIndexError("the text index was made by another version of lastlook", _HINT)
        if not (self.folder / name).is_dir():
            raise TextIndexError(f"the text index cannot be read ({name} is missing)", _HINT)
        return name

    @contextmanager
    def _reading(self) -> Iterator[Any]:
        """The newest committed state. Everything Whoosh or numpy raises inside becomes a TextIndexError."""
        with self._turn:
            with _whoosh_fails("cannot be read"):
                snapshot = self._newest()
            try:
                with _whoosh_fails("cannot be read"):
                    yield snapshot
            except TextIndexError:
                self._drop()
                raise

    def _newest(self) -> Any:
        for _ in range(READ_TRIES - 1):
            with suppress(FileNotFoundError):  # a generation was taken away between its name and its files
                return self._opened()
            time.sleep(0.02)
        return self._opened()

    def _opened(self) -> Any:
        from lastlook.textindex import files
        from lastlook.textindex.snapshot import Snapshot

        name = self._generation()
        state = (name, files.latest_commit(self.folder / name))
        if self._snapshot is None or state != self._state:
            self._drop()
            self._snapshot, self._state = Snapshot(files.open_index(self.folder / name)), state
        return self._snapshot

    def _drop(self) -> None:
        if self._snapshot is not None:
            self._snapshot.close()
        self._snapshot = self._state = None

    @contextmanager
    def _writing(self) -> Iterator[None]:
        from whoosh.util.filelock import FileLock, try_for

        lock = FileLock(str(self.folder / LOCK))
        if not try_for(lock.acquire, timeout=WAIT_S, delay=0.02):
            raise ArchiveBusy(
                "another process is writing the text index", "Wait until it has finished, then run the command again."
            )
        try:
            yield
        finally:
            lock.release()

    def _commit(self, gone: Iterable[int], documents: list[Document]) -> None:
        if not self.folder.is_dir():
            raise TextIndexError("there is no text index yet", _HINT)
        with self._writing(), _whoosh_fails("could not be written"):
            from lastlook.textindex import files, schema
            from lastlook.textindex.snapshot import Snapshot

            index = files.open_index(self.folder / self._generation())
            fields = [schema.document(document.rid, document.text) for document in documents]  # before anything opens
            before = Snapshot(index)
            try:
                leaving = np.flatnonzero(before.live & np.isin(before.rids, np.fromiter(gone, dtype=np.int64)))
            finally:
                before.close()
            if not leaving.size and not fields:
                return
            with files.writer(index) as writer:
                for number in leaving.tolist():
                    writer.delete_document(number)
                for document in fields:
                    writer.add_document(**document)

    def _remove_old(self, current: str) -> None:
        for place in self.folder.iterdir():
            if place.name != current and _GENERATION.match(place.name):
                shutil.rmtree(place, ignore_errors=True)


def _valid(document: Document) -> Document:
    if not 0 <= document.rid <= LARGEST_RID:
        raise ValueError(f"row id {document.rid} is outside 0..{LARGEST_RID}")
    return document


def _fields_of(documents: Iterable[Document]) -> Iterator[dict[str, object]]:
    from lastlook.textindex import schema

    seen: set[int] = set()
    for document in map(_valid, documents):
        if document.rid in seen:
            raise ValueError(f"row id {document.rid} was given twice")
        seen.add(document.rid)
        yield schema.document(document.rid, document.text)


@contextmanager
def _whoosh_fails(what: str) -> Iterator[None]:
    """Whoosh meets a damaged file with whatever exception comes; each of them means the same to us."""
    try:
        yield
    except (LastlookError, FileNotFoundError, ValueError) as error:
        if isinstance(error, LastlookError):
            raise
        raise TextIndexError(f"the text index {what} ({error})", _HINT) from error
    except Exception as error:
        raise TextIndexError(f"the text index {what} ({type(error).__name__}: {error})", _HINT) from error
