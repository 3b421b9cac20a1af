"""One committed state of the index, read into numpy arrays.

Whoosh hands out postings one by one; here whole blocks are taken from its matcher at once, which is what makes an
answer over 100,000 documents a matter of milliseconds. The few names that reach inside Whoosh (`_data`, `_next_block`
of its block matcher, `_dbfile` of a column) are used in this module only, and any other kind of matcher or column is
read through the public way.

Document numbers are Whoosh's, counted over all segments; they are of use within one snapshot only.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lastlook.textindex import analysis

PLACES = 1 << 16  # positions per document; a document's number times this plus a position is a place in the archive

Docs = NDArray[np.int32]


@dataclass(frozen=True, slots=True)
class Postings:
    """Documents that hold a term, ascending, and how often: `docs` int32, `counts` float32 of the same length."""

    docs: Docs
    counts: NDArray[np.float32]


_NO_DOCS: Docs = np.empty(0, dtype=np.int32)
NOTHING = Postings(_NO_DOCS, np.empty(0, dtype=np.float32))


class Snapshot:
    """A reader over one committed state. Not for two threads at once. Close it."""

    def __init__(self, index: Any) -> None:
        self._files = index.storage
        self._reader: Any = None
        try:
            self._reader = index.reader()
            self._leaves: list[tuple[Any, int]] = [
                (leaf, base) for leaf, base in self._reader.leaf_readers() if leaf.doc_count_all()
            ]
            self.count = sum(leaf.doc_count_all() for leaf, _ in self._leaves)
            self.rids: NDArray[np.int32] = self._column("rid", np.int32)
            self.sizes: NDArray[np.float64] = self._column("size", np.uint16).astype(np.float64)
            self.live = np.ones(self.count, dtype=np.bool_)
            for leaf, base in self._leaves:
                deleted = np.fromiter(leaf.segment().deleted_docs(), dtype=np.int64)
                self.live[deleted + base] = False
            self._all_live = bool(self.live.all())
            self.live_count = int(np.count_nonzero(self.live))
            total = float(self.sizes[self.live].sum())
            self.mean_size = total / self.live_count if self.live_count else 0.0
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        if self._reader is not None and not getattr(self._reader, "is_closed", True):
            self._reader.close()
        self._files.close_files()

    def postings(self, field: str, term: str) -> Postings:
        """Live documents with `term` and its count in each."""
        docs: list[Docs] = []
        counts: list[NDArray[np.float32]] = []
        for leaf, base in self._leaves:
            for ids, weights, _ in _blocks(leaf, field, term):
                docs.append(ids + np.int32(base))
                counts.append(weights)
        if not docs:
            return NOTHING
        found, often = _joined(docs), _joined(counts)
        if self._all_live:
            return Postings(found, often)
        keep = self.live[found]
        return Postings(found[keep], often[keep])

    def places(self, term: str) -> NDArray[np.int64]:
        """Every place of `term` in the raw field: document number × PLACES + position, ascending, deleted ones too."""
        found: list[NDArray[np.int64]] = []
        for leaf, base in self._leaves:
            for ids, counts, values in _blocks(leaf, "raw", term):
                starts = np.repeat((ids.astype(np.int64) + base) * PLACES, counts.astype(np.int64))
                found.append(starts + _positions(values))
        return _joined(found) if found else np.empty(0, dtype=np.int64)

    def frequency(self, field: str, term: str) -> int:
        """In how many documents `term` stands, deleted ones included; quick, for choosing an order of work."""
        return sum(int(leaf.doc_frequency(field, term)) for leaf, _ in self._leaves)

    def terms(self, field: str, start: str = "", limit: int | None = None) -> list[str]:
        """The terms of a field that begin with `start`, sorted; at most `limit` from each segment."""
        found: set[str] = set()
        beginning = start.encode()
        for leaf, _ in self._leaves:
            for number, (name, term) in enumerate(leaf.terms_from(field, start)):
                if name != field or not term.startswith(beginning) or (limit is not None and number >= limit):
                    break
                found.add(term.decode())
        return sorted(found)

    def all_docs(self) -> Docs:
        """Every live document."""
        return np.flatnonzero(self.live).astype(np.int32)

    def _column(self, name: str, dtype: type[np.generic]) -> Any:
        parts = [_column(leaf, name, dtype) for leaf, _ in self._leaves]
        return np.concatenate(parts) if parts else np.empty(0, dtype=dtype)


def _joined(parts: list[Any]) -> Any:
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


def _positions(values: tuple[bytes, ...]) -> NDArray[np.uint32]:
    """All positions of a block's values, one after the other (`schema` says how they are written)."""
    text = b"".join(values).decode("utf-8", "surrogatepass")
    return np.frombuffer(text.encode("utf-32-le", "surrogatepass"), dtype="<u4")


def _column(leaf: Any, name: str, dtype: type[np.generic]) -> NDArray[Any]:
    count = leaf.doc_count_all()
    reader = leaf.column_reader(name, translate=False)
    held = getattr(reader, "_count", None)
    if held is None or not hasattr(reader, "_dbfile"):
        return np.fromiter((reader[number] for number in range(count)), dtype=dtype, count=count)
    values = np.zeros(count, dtype=dtype)  # a column ends early where the last documents have the default, 0
    stored = reader._dbfile.get(reader._basepos, held * reader._fixedlen)
    values[:held] = np.frombuffer(stored, dtype=np.dtype(dtype).newbyteorder(">"))
    return values


def _blocks(leaf: Any, field: str, term: str) -> Iterator[tuple[Docs, NDArray[np.float32], tuple[bytes, ...]]]:
    """The postings of a term in one segment, deleted documents included: ids, weights, values, block by block."""
    from whoosh.matching.wrappers import FilterMatcher
    from whoosh.reading import TermNotFound

    try:
        matcher = leaf.postings(field, term)
    except TermNotFound:
        return
    if isinstance(matcher, FilterMatcher):  # it leaves out deleted documents one by one; we do so all at once
        matcher = matcher.child
        matcher.reset()
    if not hasattr(matcher, "_next_block"):
        yield _one_by_one(matcher)
        return
    while True:
        if matcher._data is None:
            matcher._read_data()
        ids, weights, values = matcher._data
        numbers = np.cumsum(np.array(ids, dtype=np.int32), dtype=np.int32)  # ids are kept as differences
        if weights is None or isinstance(weights, float):
            often = np.full(len(numbers), 1.0 if weights is None else weights, dtype=np.float32)
        else:
            often = np.array(weights, dtype=np.float32)
        yield numbers, often, values or ()
        if matcher._lastblock:
            return
        matcher._next_block()


def _one_by_one(matcher: Any) -> tuple[Docs, NDArray[np.float32], tuple[bytes, ...]]:
    ids, weights, values = [], [], []
    while matcher.is_active():
        ids.append(matcher.id())
        weights.append(matcher.weight())
        values.append(matcher.value())
        matcher.next()
    return np.array(ids, dtype=np.int32), np.array(weights, dtype=np.float32), tuple(values)


def stem_or_raw(token: str) -> tuple[str, str]:
    """In which field a typed word is looked up, and as what: stop words are in the raw field only."""
    if token in analysis.STOP_WORDS:
        return "raw", token
    return "text", analysis.index_term(token)
