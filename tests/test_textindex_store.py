"""The text index on disk: asked, changed, damaged, rebuilt."""

from __future__ import annotations

import gc
import multiprocessing
import os
import pickle
import random
import shutil
import signal
import subprocess
import sys
import threading
import time
import warnings
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lastlook.errors import ArchiveBusy, TextIndexError
from lastlook.textindex import Document, TextIndex, parse, pickles, store
from lastlook.textindex.store import CURRENT

CAPTIONS = {
    1: "W03 white wire pulled through bulkhead 11 to the lantern",
    2: "mast foot before it was closed, W03 and W04 side by side",
    3: "dry fit of the hull halves",
    4: "0.5 mm brass rod in the mast; terminal block, grey lead",
    7: "lantern motor W-05\nmast foot again",
    9: "pre-drilled hole in the main deck",
}


@pytest.fixture
def index(tmp_path: Path) -> Iterator[TextIndex]:
    with TextIndex.create(tmp_path / "index") as made:
        made.replace(Document(rid, text) for rid, text in CAPTIONS.items())
        yield made


def ask(index: TextIndex, text: str) -> list[int]:
    found: list[int] = index.match(parse(text)).rids.tolist()
    return found


@pytest.mark.parametrize(
    ("text", "rids"),
    [
        ("w-03", [1, 2]),
        ("W3", [1, 2]),
        ("W 03", [1, 2]),
        ("w05", [7]),
        ("lanterns", [1, 7]),
        ("mast foot", [2, 7]),
        ('"mast foot"', [2, 7]),
        ('"foot again"', [7]),
        ('"motor W05"', [7]),
        ('"W05 mast"', []),  # a line break lies between
        ('"closed W03"', [2]),
        ('"before it was closed"', [2]),
        ("0.5", [4]),
        ("0,5mm", [4]),
        ("wir*", [1]),
        ("W0*", [1, 2, 7]),
        ("pre-drilled", [9]),
        ("lantern -motor", [1]),
        ("-mast", [1, 3, 9]),
        ("white or gray", [1, 4]),
        ("lantern (white or motor)", [1, 7]),
        ("nonesuch", []),
        ("", []),
        ("of", [3]),
    ],
)
def test_asking(index: TextIndex, text: str, rids: list[int]) -> None:
    assert ask(index, text) == rids


def test_scores_come_in_the_order_of_the_rows_and_only_when_asked(index: TextIndex) -> None:
    plain, rated = index.match(parse("mast foot")), index.match(parse("mast foot"), scores=True)
    assert plain.scores is None
    assert plain.rids.dtype == rated.rids.dtype == np.int32
    assert rated.scores is not None
    assert rated.scores.dtype == np.float32
    assert (rated.scores > 0).all()
    # Row 7 says less beside it than row 2: a shorter text counts more.
    assert rated.scores[1] > rated.scores[0]


def test_rows_come_ascending_however_they_were_written(tmp_path: Path) -> None:
    with TextIndex.create(tmp_path / "i") as made:
        for rid in (50, 3, 2**31 - 1, 0, 17):
            made.replace([Document(rid, f"mast {'mast ' * rid if rid < 5 else ''}")])
        found = made.match(parse("mast"), scores=True)
        assert found.rids.tolist() == [0, 3, 17, 50, 2**31 - 1]
        assert found.scores is not None
        assert int(found.scores.argmax()) == 1


def test_replacing_and_removing(index: TextIndex) -> None:
    index.replace([Document(2, "nothing of it"), Document(2, "last one counts"), Document(12, "new W03")])
    assert ask(index, "w03") == [1, 12]
    assert ask(index, "last one counts") == [2]
    assert ask(index, "nothing") == []
    index.remove([1, 12, 999])
    assert ask(index, "w03") == []
    assert index.rids().tolist() == [2, 3, 4, 7, 9]
    assert index.check() == ()


def test_a_second_process_sees_a_change_at_once(index: TextIndex) -> None:
    with TextIndex.open(index.folder) as other:
        assert ask(other, "w03") == [1, 2]
        index.replace([Document(30, "W03 once more")])
        assert ask(other, "w03") == [1, 2, 30]
        index.rebuild([Document(5, "W03")])
        assert ask(other, "w03") == [5]


def test_rebuilding_leaves_one_generation(index: TextIndex) -> None:
    index.rebuild(Document(rid, text) for rid, text in CAPTIONS.items())
    index.rebuild(Document(rid, text) for rid, text in CAPTIONS.items())
    assert len([place for place in index.folder.iterdir() if place.is_dir()]) == 1
    assert ask(index, "w03") == [1, 2]
    assert index.check() == ()


def test_a_rebuild_that_fails_leaves_the_old_state(index: TextIndex) -> None:
    def broken() -> Iterator[Document]:
        yield Document(1, "W99")
        raise RuntimeError("the catalogue went away")

    with pytest.raises(TextIndexError, match="catalogue went away"):
        index.rebuild(broken())
    with pytest.raises(TextIndexError, match="twice"):
        index.rebuild([Document(1, "a"), Document(1, "b")])
    assert ask(index, "w03") == [1, 2]
    assert index.check() == ()
    index.replace([Document(40, "the lock is free")])


def test_a_bad_document_changes_nothing(index: TextIndex) -> None:
    with pytest.raises(ValueError, match="row id"):
        index.replace([Document(1, "gone"), Document(-1, "no")])
    assert ask(index, "w03") == [1, 2]


def test_a_commit_that_fails_changes_nothing_and_frees_the_lock(
    index: TextIndex, monkeypatch: pytest.MonkeyPatch
) -> None:
    from whoosh.writing import SegmentWriter

    with monkeypatch.context() as patch:
        patch.setattr(SegmentWriter, "_commit_toc", lambda *_: (_ for _ in ()).throw(OSError("disk full")))
        with pytest.raises(TextIndexError, match="disk full"):
            index.replace([Document(1, "changed")])
    assert ask(index, "w03") == [1, 2]
    index.replace([Document(1, "changed")])
    assert ask(index, "w03") == [2]


def test_another_writer_is_waited_for_and_then_named(index: TextIndex, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(store, "WAIT_S", 0.1)
    with index._writing(), TextIndex.open(index.folder) as other, pytest.raises(ArchiveBusy, match="writing"):
        other.replace([Document(1, "changed")])


def test_there_is_none_yet(tmp_path: Path) -> None:
    assert not TextIndex.exists(tmp_path)
    with pytest.raises(TextIndexError, match="no text index yet"):
        TextIndex.open(tmp_path)
    with pytest.raises(TextIndexError):
        TextIndex(tmp_path / "nowhere").replace([Document(1, "a")])


@pytest.mark.parametrize(
    ("text", "message"),
    [("../elsewhere\n", "no generation"), ("g999-0123456789abcdef\n", "another version"), ("\xff", "cannot be read")],
)
def test_a_current_that_names_no_generation_of_ours(index: TextIndex, text: str, message: str) -> None:
    (index.folder / CURRENT).write_bytes(text.encode("latin-1"))
    with pytest.raises(TextIndexError, match=message):
        TextIndex.open(index.folder)


def _files(index: TextIndex) -> list[Path]:
    return sorted(path for path in index.folder.rglob("*") if path.is_file() and path.stat().st_size)


def test_damage_is_a_text_index_error_or_found_by_check(index: TextIndex, tmp_path: Path) -> None:
    """Each file in turn cut short, emptied, bits flipped: never another exception, never a file left open."""
    index.close()
    pristine = tmp_path / "pristine"
    shutil.copytree(index.folder, pristine)
    rng = random.Random(11)
    noticed = 0
    for path in _files(index):
        if path.suffix not in (".toc", ".trm", ".pst", ".col"):
            continue
        whole = path.read_bytes()
        for spoilt in (b"", whole[: len(whole) // 2], whole[:-1], bytes(byte ^ 0xFF for byte in whole), None):
            if spoilt is None:
                place = rng.randrange(len(whole))
                spoilt = whole[:place] + bytes([whole[place] ^ 0xFF]) + whole[place + 1 :]
            path.write_bytes(spoilt)
            with TextIndex(index.folder) as damaged:
                try:
                    for question in ("w03", '"mast foot"', "wir*", "nonesuch"):
                        damaged.match(parse(question), scores=True)
                    noticed += bool(damaged.check())
                except TextIndexError:
                    noticed += 1
        path.write_bytes(whole)
        gc.collect()
    assert noticed > 10
    for path in _files(index):
        path.unlink()
    shutil.copytree(pristine, index.folder, dirs_exist_ok=True)
    assert ask(index, "w03") == [1, 2]


class _Hostile:
    def __init__(self, mark: Path) -> None:
        self.mark = mark

    def __reduce__(self) -> tuple[object, ...]:
        return (os.mkdir, (str(self.mark),))


def test_a_hostile_index_runs_nothing(index: TextIndex, tmp_path: Path) -> None:
    """An archive may come from anywhere; a pickle in its index must not be able to call anything."""
    from whoosh.index import TOC

    from lastlook.textindex import files

    index.close()
    mark = tmp_path / "mark"
    place = next(path for path in index.folder.iterdir() if path.is_dir())
    opened = files.open_index(place)
    toc = TOC.read(opened.storage, files.NAME, schema=opened._schema)
    toc.generation += 1
    toc.segments.append(_Hostile(mark))
    toc.write(opened.storage, files.NAME)
    opened.storage.close_files()
    with TextIndex(index.folder) as hostile, pytest.raises(TextIndexError, match="no plain data"):
        hostile.match(parse("w03"))
    assert not mark.exists()
    pickle.loads(pickle.dumps(_Hostile(mark)))  # the same bytes, read by the plain reader, would have done it
    assert mark.exists()


def test_no_whoosh_module_is_left_with_the_plain_pickle_functions() -> None:
    pickles.guard()
    import whoosh.filedb.structfile
    import whoosh.searching  # noqa: F401 - one more module, for the sweep

    pickles.guard()
    plain = (pickle, pickle.load, pickle.loads, pickle.Unpickler)
    left = [
        f"{name}.{key}"
        for name, module in sys.modules.items()
        if name.startswith("whoosh")
        for key, value in vars(module).items()
        if any(value is one for one in plain)
    ]
    assert [name for name in left if not name.startswith("whoosh.util.loading.")] == []


def test_importing_the_package_does_not_import_whoosh() -> None:
    code = (
        "import sys, lastlook.textindex; sys.exit(any(n.split('.')[0] in ('whoosh', 'rapidfuzz') for n in sys.modules))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_check_names_what_does_not_belong(index: TextIndex) -> None:
    (index.folder / "g1-0000000000000000").mkdir()
    assert index.check() == ("the text index folder holds 'g1-0000000000000000', which is not in use",)


def test_no_file_stays_open(index: TextIndex) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        before = len(list(Path("/proc/self/fd").iterdir()))
        for number in range(5):
            index.replace([Document(number, "W03 again")])
            index.match(parse("w03"), scores=True)
        index.rebuild([Document(1, "W03")])
        index.close()
        gc.collect()
        assert len(list(Path("/proc/self/fd").iterdir())) <= before


def test_many_threads_get_right_answers(index: TextIndex) -> None:
    index.replace(
        Document(100 + number, f"thread{'abcdefgh'[number % 8]} mast W{number % 8:02}") for number in range(800)
    )
    wrong: list[object] = []

    def work(letter: int) -> None:
        for _ in range(30):
            found = ask(index, f'"thread{"abcdefgh"[letter]} mast"')
            if found != list(range(100 + letter, 900, 8)):
                wrong.append(found)

    threads = [threading.Thread(target=work, args=(letter,)) for letter in range(8)]
    for thread in threads:
        thread.start()
    for number in range(10):
        index.replace([Document(5000 + number, "unrelated")])
    for thread in threads:
        thread.join()
    assert not wrong


def _write_for_ever(folder: str, started: multiprocessing.Queue[int]) -> None:
    with TextIndex.open(Path(folder)) as index:
        for number in range(10_000):
            # All of one commit or none of it: both documents always say the same number.
            words = f"state{''.join('abcdefghij'[int(digit)] for digit in str(number))}"
            index.replace([Document(1, f"left {words}"), Document(2, f"right {words}")])
            if number == 2:
                started.put(number)
            if number % 20 == 19:
                index.rebuild([Document(1, f"left {words}"), Document(2, f"right {words}")])


@pytest.mark.kill
def test_a_kill_leaves_the_old_state_or_the_new(tmp_path: Path) -> None:
    context = multiprocessing.get_context("spawn")
    TextIndex.create(tmp_path / "i").close()
    rng = random.Random(5)
    for _ in range(4):
        started: multiprocessing.Queue[int] = context.Queue()
        writer = context.Process(target=_write_for_ever, args=(str(tmp_path / "i"), started))
        writer.start()
        started.get(timeout=60)
        time.sleep(rng.random() * 0.4)
        assert writer.pid is not None
        os.kill(writer.pid, signal.SIGKILL)
        writer.join()
        started.close()
        started.join_thread()
        with TextIndex.open(tmp_path / "i") as index:
            assert index.rids().tolist() == [1, 2]
            assert [finding for finding in index.check() if "not in use" not in finding] == []
            with index._reading() as snapshot:
                states = [term for term in snapshot.terms("raw") if term.startswith("state")]
            assert [1, 2] in [ask(index, state) for state in states]
            index.replace([Document(1, "the lock is free"), Document(2, "")])
            index.rebuild([])  # sweeps away what the kill left
            assert index.check() == ()


words = st.sampled_from(["mast", "foot", "W03", "deck", "the", "0.5 mm", "lantern", "wires"])
texts = st.lists(words, max_size=8).map(" ".join)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    acts=st.lists(
        st.one_of(
            st.dictionaries(st.integers(0, 6), texts, max_size=4),
            st.sets(st.integers(0, 6), max_size=3),
            st.just(None),
        ),
        max_size=6,
    )
)
def test_the_index_holds_what_a_dict_would(tmp_path: Path, acts: list[dict[int, str] | set[int] | None]) -> None:
    model: dict[int, str] = {}
    with TextIndex.create(tmp_path / "i") as index:
        for act in acts:
            if act is None:
                index.rebuild(Document(rid, text) for rid, text in model.items())
            elif isinstance(act, dict):
                index.replace(Document(rid, text) for rid, text in act.items())
                model |= act
            else:
                index.remove(act)
                model = {rid: text for rid, text in model.items() if rid not in act}
        assert index.rids().tolist() == sorted(model)
        for question, word in (("mast", "mast"), ("W-3", "W03"), ("0,5mm", "0.5 mm"), ("wire", "wires")):
            assert ask(index, question) == sorted(rid for rid, text in model.items() if word in text)
        assert ask(index, '"mast foot"') == sorted(rid for rid, text in model.items() if "mast foot" in text)
        assert index.check() == ()
