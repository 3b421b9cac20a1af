"""What the index holds, in Whoosh's terms: for each document its row id, its length, and two inverted fields.

    rid    column   the row id
    size   column   number of tokens in `text` (for ranking), at most 65,535
    text   terms    stems, ids, measures without stop words; frequencies, no positions
    raw    terms    every token as it stands; positions, for phrases and prefixes

Nothing is stored, and no date, path or flag is here: the index answers with row ids, the catalogue does the rest.
Both inverted fields take lists of tokens that are already cut (`lastlook.textindex.analysis`), so Whoosh's analyzers
play no part and nothing of ours is needed to read the files.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from functools import cache
from typing import Any

from lastlook.textindex import analysis, pickles

pickles.guard()

from whoosh import columns, fields, formats  # noqa: E402 - only after the guard
from whoosh.codec.whoosh3 import W3Codec  # noqa: E402

# The version of the cutting and of the layout: an index made with another one is rebuilt. Raise it with any change to
# `analysis` or to this module that changes what is written.
VERSION = 1
MAX_TOKENS = 65_535  # of one document; no caption comes near


class _Counted(formats.Existence):  # type: ignore[misc] # Whoosh has no types
    """Terms with how often they occur (as the posting's weight) and no value."""

    def word_values(self, value: Sequence[str], _analyzer: Any, **_: Any) -> Iterator[tuple[str, int, float, bytes]]:
        for token, count in Counter(value).items():
            yield token, count, float(count), b""


class _Placed(formats.Format):  # type: ignore[misc]
    """Terms with their positions: UTF-8 text with one character for each, its code point the position.

    Mostly one byte each, and a whole block is read in one go (`snapshot`). How many there are is the posting's weight.
    """

    posting_size = -1

    def __init__(self, field_boost: float = 1.0, **options: Any) -> None:
        self.field_boost = field_boost
        self.options = options

    def word_values(self, value: Sequence[str], _analyzer: Any, **_: Any) -> Iterator[tuple[str, int, float, bytes]]:
        places: defaultdict[str, list[str]] = defaultdict(list)
        for place, token in enumerate(value):
            if token != analysis.BORDER:  # it takes a place, so that no phrase crosses it, but is no word
                places[token].append(chr(place))
        for token, found in places.items():
            yield token, len(found), float(len(found)), "".join(found).encode("utf-8", "surrogatepass")


class _Terms(fields.FieldType):  # type: ignore[misc]
    """An inverted field fed with lists of tokens."""

    def __init__(self, format_: Any) -> None:
        self.format = format_
        self.analyzer = None
        self.scorable = False  # lengths are ours to keep, exactly: Whoosh rounds them to a byte
        self.stored = False
        self.unique = False
        self.vector = None
        self.spelling = False
        self.multitoken_query = "and"
        self.column_type = None


@cache
def schema() -> Any:
    """The schema (a `whoosh.fields.Schema`). Always given to Whoosh, never read from a file."""
    return fields.Schema(
        rid=fields.COLUMN(columns.NumericColumn("i")),
        size=fields.COLUMN(columns.NumericColumn("H")),
        text=_Terms(_Counted()),
        raw=_Terms(_Placed()),
    )


def codec() -> Any:
    """How segments are written. Large uncompressed blocks: most of an answer's time is reading them."""
    made = W3Codec(blocklimit=1024, compression=0)
    made.length_stats = False  # there are no lengths of Whoosh's to look for; it would ask the disk at every posting
    return made


def document(rid: int, text: str) -> dict[str, object]:
    """The fields of one document, as Whoosh's writer takes them."""
    raw = analysis.tokenise(text)[:MAX_TOKENS]
    telling = (token for token in raw if token not in analysis.STOP_WORDS and token != analysis.BORDER)
    stems = [analysis.index_term(token) for token in telling]
    return {"rid": rid, "size": len(stems), "text": stems, "raw": raw}
