"""Whoosh's files hold pickles; here they are read as data only.

Whoosh 2.7 keeps its table of segments and its blocks of postings as pickles. Unpickling a file somebody else made can
run any code (https://docs.python.org/3/library/pickle.html, "Restricting Globals"), and an archive is a folder that
people copy, send and receive. `guard` puts a reader in place of every pickle function that the loaded Whoosh modules
refer to: it builds plain values (numbers, text, bytes, tuples, lists, dicts, sets) and Whoosh's own description of a
segment, nothing else. The schema is never read from the file, and the loaders of older formats are taken away.

Writing is replaced as well: Whoosh asks for pickle protocol 2, which writes bytes as a call of a function. Protocol 5
writes them as they are, so that postings are read several times faster and no function need be allowed.
"""

from __future__ import annotations

import importlib
import io
import pickle
import sys
import types
import warnings
from typing import Any, BinaryIO

PROTOCOL = 5
_ALLOWED = {
    ("whoosh.codec.whoosh3", "W3Segment"),
    ("whoosh.codec.whoosh3", "W3Codec"),  # three numbers; a segment keeps the codec that wrote it
    ("collections", "defaultdict"),  # of whole numbers: the lengths of fields
    ("builtins", "int"),
    ("builtins", "set"),
    ("builtins", "frozenset"),
}
# Every Whoosh module that an opened index can reach, so that none is imported later with the plain functions.
_MODULES = (
    "whoosh.index",
    "whoosh.fields",
    "whoosh.formats",
    "whoosh.columns",
    "whoosh.reading",
    "whoosh.writing",
    "whoosh.codec.base",
    "whoosh.codec.whoosh3",
    "whoosh.filedb.filestore",
    "whoosh.filedb.filetables",
    "whoosh.filedb.structfile",
    "whoosh.filedb.compound",
    "whoosh.matching",
)


class NotPlainData(pickle.UnpicklingError):
    """A pickle that would build something other than plain data."""


class _PlainReader(pickle.Unpickler):
    def find_class(self, module: str, name: str) -> Any:
        if (module, name) not in _ALLOWED:
            raise NotPlainData(f"the index holds {module}.{name}, which is no plain data")
        return super().find_class(module, name)


def load(file: BinaryIO, **_: Any) -> Any:
    """As `pickle.load`, for plain data."""
    return _PlainReader(file).load()


def loads(data: bytes, **_: Any) -> Any:
    """As `pickle.loads`, for plain data."""
    return _PlainReader(io.BytesIO(data)).load()


def dump(value: Any, file: BinaryIO, *_: Any, **__: Any) -> None:
    """As `pickle.dump`, by protocol 5 whatever is asked."""
    pickle.dump(value, file, protocol=PROTOCOL)


def dumps(value: Any, *_: Any, **__: Any) -> bytes:
    """As `pickle.dumps`, by protocol 5 whatever is asked."""
    return pickle.dumps(value, protocol=PROTOCOL)


def _stand_in() -> types.ModuleType:
    """A module to stand where Whoosh says `pickle`."""
    module = types.ModuleType("pickle")
    module.__dict__.update(dumps=dumps, dump=dump, load=load, loads=loads)
    module.__dict__.update(PicklingError=pickle.PicklingError, UnpicklingError=pickle.UnpicklingError)
    return module


def guard() -> None:
    """Import Whoosh, with every pickle function its modules refer to replaced. May be called again."""
    with warnings.catch_warnings():
        # Whoosh 2.7 was written before Python warned of "\w" in plain strings and of "is" beside a number.
        warnings.simplefilter("ignore", SyntaxWarning)
        warnings.simplefilter("ignore", DeprecationWarning)
        for name in _MODULES:
            importlib.import_module(name)
    replaced = (
        (pickle.load, load),
        (pickle.loads, loads),
        (pickle.dump, dump),
        (pickle.dumps, dumps),
        (pickle, _stand_in()),
    )
    for name, module in list(sys.modules.items()):
        if name != "whoosh" and not name.startswith("whoosh."):
            continue
        for key, value in list(vars(module).items()):
            for theirs, ours in replaced:
                if value is theirs:
                    setattr(module, key, ours)
    vars(sys.modules["whoosh.index"])["toc_loaders"] = {}
