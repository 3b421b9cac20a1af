"""What the index finds and how it ranks, against other engines on a generated archive.

Which rows: SQLite FTS5 (sqlite.org/fts5.html) over the same tokens. How they rank: the formula written out in plain
Python to 1e-9, Whoosh's own BM25 function, rank_bm25 from PyPI, and worked figures of the formula.
"""

from __future__ import annotations

import math
import random
import sqlite3
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from rank_bm25 import BM25Okapi

from lastlook.textindex import Document, TextIndex, analysis, parse
from lastlook.textindex.match import bm25
from tests.benchmarks.index import captions

SIZE = 1500


@pytest.fixture(scope="module")
def documents() -> list[Document]:
    return list(captions(SIZE, seed=7))


@pytest.fixture(scope="module")
def index(tmp_path_factory: pytest.TempPathFactory, documents: list[Document]) -> Iterator[TextIndex]:
    with TextIndex.create(tmp_path_factory.mktemp("reference") / "index") as made:
        made.rebuild(documents[:1000])
        made.replace(documents[900:])  # several segments, and deleted documents in the first
        yield made


@pytest.fixture(scope="module")
def tokens(documents: list[Document]) -> dict[int, list[str]]:
    return {document.rid: analysis.tokenise(document.text) for document in documents}


@pytest.fixture(scope="module")
def fts(tokens: dict[int, list[str]]) -> Iterator[sqlite3.Connection]:
    connection = sqlite3.connect(":memory:")
    # Tokens are words of letters and digits here; "." and "/" belong to measures and scales.
    connection.execute("CREATE VIRTUAL TABLE t USING fts5(raw, stem, tokenize = \"unicode61 tokenchars './'\")")
    for rid, found in tokens.items():
        lines = " ".join(token if token != analysis.BORDER else "linebreak" for token in found)
        stems = " ".join(analysis.index_term(token) for token in found if token != analysis.BORDER)
        connection.execute("INSERT INTO t (rowid, raw, stem) VALUES (?, ?, ?)", (rid, lines, stems))
    yield connection
    connection.close()


def _word(word: str) -> str:
    return f'stem : "{analysis.index_term(analysis.tokenise(word)[0])}"'


def _phrase(words: str) -> str:
    return f'raw : "{" ".join(analysis.tokenise(words))}"'


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("wires", _word("wires")),
        ("soldered", _word("solder")),
        ("W07", _word("w7")),
        ("0,5 mm", _word("0.5mm")),
        ("1:48", _word("1/48")),
        ("white loom", f"{_word('white')} AND {_word('loom')}"),
        ("grey wire soldered deck", " AND ".join(map(_word, ("grey", "wire", "soldered", "deck")))),
        ('"terminal block"', _phrase("terminal block")),
        ('"lantern mast and the"', _phrase("lantern mast and the")),
        ('"the main deck"', _phrase("the main deck")),
        ('"mast foot" wire', f"{_phrase('mast foot')} AND {_word('wire')}"),
        ("sold*", "raw : sold *"),
        ("lan* wire", f"raw : lan * AND {_word('wire')}"),
        ("wire -deck", f"{_word('wire')} NOT {_word('deck')}"),
        ("white or grey wire", f"({_word('white')} OR {_word('grey')}) AND {_word('wire')}"),
        (
            'loom -"main deck" -(hull or mast)',
            f"{_word('loom')} NOT {_phrase('main deck')} NOT ({_word('hull')} OR {_word('mast')})",
        ),
    ],
)  # fmt: skip
def test_the_same_rows_as_fts5(index: TextIndex, fts: sqlite3.Connection, text: str, match: str) -> None:
    expected = [rid for (rid,) in fts.execute("SELECT rowid FROM t WHERE t MATCH ? ORDER BY rowid", (match,))]
    assert expected, "the reference finds nothing: the question tests nothing"
    assert index.match(parse(text)).rids.tolist() == expected


def test_random_phrases_as_fts5_finds_them(
    index: TextIndex, fts: sqlite3.Connection, tokens: dict[int, list[str]]
) -> None:
    rng = random.Random(3)
    for _ in range(60):
        found = [token for token in tokens[rng.randrange(SIZE)] if token != analysis.BORDER]
        length = rng.randint(2, 4)
        start = rng.randrange(len(found) - length)
        words = " ".join(found[start : start + length])
        rows = fts.execute("SELECT rowid FROM t WHERE t MATCH ? ORDER BY rowid", (f'raw : "{words}"',))
        assert index.match(parse(f'"{words}"')).rids.tolist() == [rid for (rid,) in rows], words


def _stems(found: list[str]) -> list[str]:
    return [
        analysis.index_term(token) for token in found if token not in analysis.STOP_WORDS and token != analysis.BORDER
    ]


def test_scores_are_the_formula_written_out(index: TextIndex, tokens: dict[int, list[str]]) -> None:
    """BM25 in plain Python over the same stems: k1 1.2, b 0.75, idf ln(N / (df + 1)) + 1."""
    stems = {rid: Counter(_stems(found)) for rid, found in tokens.items()}
    sizes = {rid: sum(counts.values()) for rid, counts in stems.items()}
    mean = sum(sizes.values()) / len(sizes)
    for text in ("wire", "white loom", "grey wire soldered", "W07 deck"):
        asked = [analysis.index_term(token) for token in analysis.tokenise(text)]
        found = index.match(parse(text), scores=True)
        assert found.scores is not None
        for rid, score in zip(found.rids.tolist(), found.scores.tolist(), strict=True):
            expected = 0.0
            for stem in asked:
                holding = sum(1 for counts in stems.values() if stem in counts)
                idf = math.log(len(stems) / (holding + 1)) + 1.0
                often = stems[rid][stem]
                expected += idf * often * 2.2 / (often + 1.2 * (0.25 + 0.75 * sizes[rid] / mean))
            assert score == pytest.approx(expected, rel=2e-7)  # scores are 32-bit


def test_one_term_as_whoosh_reckons_it() -> None:
    """Against `whoosh.scoring.bm25`, to 1e-9."""
    from whoosh.scoring import bm25 as reference

    for count, size, mean, documents, holding in (
        (1, 20, 35.5, 1000, 3),
        (7, 3, 11.0, 10, 10),
        (2, 60, 35.0, 10**6, 1),
    ):
        idf = math.log(documents / (holding + 1)) + 1.0
        ours = bm25(np.array([float(count)]), np.array([float(size)]), mean, documents, holding)[0]
        assert ours == pytest.approx(reference(idf, count, size, mean, 0.75, 1.2), rel=1e-9)


def test_a_worked_figure() -> None:
    """tf 2, length 4, mean length 5, k1 1.2, b 0.75: the part without idf is 4.4 / 3.02, by hand 1.456954."""
    idf = math.log(3 / 2) + 1.0
    assert bm25(np.array([2.0]), np.array([4.0]), 5.0, 3, 1)[0] == pytest.approx(1.456954 * idf, rel=1e-6)


def test_scores_never_fall_below_zero(tmp_path: Path) -> None:
    """A word in every document has a negative idf in the classic formula; here it still counts a little."""
    with TextIndex.create(tmp_path / "i") as small:
        small.replace([Document(1, "mast"), Document(2, "mast mast foot")])
        scores = small.match(parse("mast"), scores=True).scores
        assert scores is not None
        assert (scores > 0).all()


def test_replacing_documents_does_not_shift_scores(index: TextIndex, documents: list[Document], tmp_path: Path) -> None:
    with TextIndex.create(tmp_path / "fresh") as fresh:
        fresh.rebuild(documents)
        for text in ("wire", "white loom", '"terminal block"', "sold*", "lantern -deck"):
            one, other = index.match(parse(text), scores=True), fresh.match(parse(text), scores=True)
            assert one.rids.tolist() == other.rids.tolist()
            assert one.scores is not None
            assert other.scores is not None
            assert one.scores.tolist() == pytest.approx(other.scores.tolist(), rel=1e-6)


def test_the_best_ten_agree_with_rank_bm25(index: TextIndex, tokens: dict[int, list[str]]) -> None:
    """BM25Okapi of rank_bm25 (k1 1.2, b 0.75) among the rows that hold every word: its idf differs, so the mean of the
    shared part of the best ten is compared, not each question. 0.85 is common practice, no source."""
    rids = sorted(tokens)
    reference = BM25Okapi([_stems(tokens[rid]) for rid in rids], k1=1.2, b=0.75)
    shared: list[float] = []
    rng = random.Random(9)
    vocabulary = [
        "white",
        "grey",
        "loom",
        "wire",
        "soldered",
        "deck",
        "mast",
        "lantern",
        "hull",
        "glued",
        "tested",
        "clip",
    ]
    for _ in range(40):
        text = " ".join(rng.sample(vocabulary, rng.choice((1, 2, 2, 3))))
        found = index.match(parse(text), scores=True)
        if found.rids.size < 15:
            continue
        assert found.scores is not None
        ours = found.rids[np.argsort(-found.scores, kind="stable")[:10]]
        rated = dict(zip(rids, reference.get_scores([analysis.index_term(word) for word in text.split()]), strict=True))
        theirs = sorted(found.rids.tolist(), key=lambda rid: (-rated[rid], rid))[:10]
        shared.append(len(set(ours.tolist()) & set(theirs)) / 10)
    assert len(shared) >= 15
    assert sum(shared) / len(shared) >= 0.85


# ------------------------------------------------------------------------------------- unknown words, and none together


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("lantrn", "lantern"),
        ("bulkhaed", "bulkhead"),
        ("soldred", "soldered"),
        ("sleve", "sleeve"),
        ("starbord", "starboard"),
        ("resister", "resistor"),
        ("difuser", "diffuser"),
    ],
)
def test_a_misspelt_word_is_answered_with_known_ones(index: TextIndex, typed: str, meant: str) -> None:
    query = parse(f"white {typed}")
    assert index.match(query).rids.size == 0
    near = index.nearest(query)
    assert set(near) == {typed}
    assert analysis.index_term(meant) in {analysis.index_term(word) for word in near[typed]}


def test_the_plans_own_words_are_offered_as_it_writes_them(index: TextIndex) -> None:
    assert index.nearest(parse("bnacle"), ["Binacle"])["bnacle"][0] == "Binacle"
    assert "W77" in index.nearest(parse("W777"), ["W77"])["w777"]


def test_words_like_nothing_known_get_no_offer(index: TextIndex) -> None:
    assert index.nearest(parse("qqqqzzzz")) == {"qqqqzzzz": ()}
    assert index.nearest(parse("white wire")) == {}


def test_why_nothing_was_found(tmp_path: Path) -> None:
    with TextIndex.create(tmp_path / "i") as index:
        index.replace([Document(1, "white wire mast"), Document(2, "grey deck wire"), Document(3, "wire mast -")])
        told = index.explain(parse("wire mast deck -grey"))
        assert [(word.text, word.hits, word.excluded) for word in told.words] == [
            ("wire", 3, False),
            ("mast", 2, False),
            ("deck", 1, False),
            ("grey", 1, True),
        ]
        assert [(group.text, group.hits) for group in told.together] == [("wire mast -grey", 2)]
        assert index.explain(parse("wire mast")).together == ()
        assert index.explain(parse("")).words == ()
