"""The words of a question, read into a tree; whatever is typed is answered."""

from __future__ import annotations

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from lastlook.textindex.query import (
    MAX_CHARACTERS,
    MAX_DEPTH,
    MAX_WORDS,
    AllOf,
    AnyOf,
    Node,
    Phrase,
    Prefix,
    Without,
    leaves,
    parse,
    spell,
)


@pytest.mark.parametrize(
    ("text", "spelt"),
    [
        ("lantern wire", "lantern wire"),
        ("the lantern of the mast", "lantern mast"),
        ("the of", "the of"),  # nothing else is asked
        ('"mast foot"', '"mast foot"'),
        ("“Mast foot” wire", '"mast foot" wire'),
        ('""', None),
        ("-deck", "-deck"),
        ("lantern -deck not hull", "lantern -deck -hull"),
        ('lantern -"mast foot"', 'lantern -"mast foot"'),
        ("W-017", "w17"),
        ("W - 017", "w17 or (w 17)"),  # a dash that stands alone joins nothing and excludes nothing
        ("HULL-F", '"hull f"'),
        ("pre-drilled hole", '"pre drilled" hole'),
        ("white or grey wire", "(white or grey) wire"),
        ("white OR grey or", "white or grey"),
        ("or", None),
        ("sold*", "sold*"),
        ("W0*", "w0*"),
        ("W-01*", "w1*"),
        ("(white wire) or loom", "(white wire) or loom"),
        ("lantern -(deck or hull)", "lantern -(deck or hull)"),
        ("W 03", "w3 or (w 3)"),
        ("mast 03", "mast3 or (mast 3)"),  # the longest word of an id has four letters
        ("frame 11", "frame 11"),
        ("0.5 mm rod", "0.5mm rod"),
        ("", None),
        ("  \t ", None),
        ("??? !!", None),
    ],
)
def test_reading(text: str, spelt: str | None) -> None:
    root = parse(text).root
    assert (spell(root) if root is not None else None) == spelt


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('"mast foot', "quotation mark"),
        ("mast)", "bracket"),
        ("*", "on its own"),
        ("s*", "at least 2 letters"),
        ("ma*st", "end of a word"),
        ("*st", "end of a word"),
        ("x " * MAX_CHARACTERS, f"first {MAX_CHARACTERS} characters"),
        ("(" * 40 + "mast", f"More than {MAX_DEPTH}"),
        (" ".join(f"word{chr(97 + n % 26)}{'xy'[n // 26]}" for n in range(40)), f"first {MAX_WORDS} words"),
    ],
)  # fmt: skip
def test_what_is_left_out_is_said(text: str, said: str) -> None:
    assert said in " ".join(parse(text).said)


def test_a_plain_question_has_nothing_to_say() -> None:
    assert parse('lantern "mast foot" sold* -deck').said == ()


def _depth(node: Node | None) -> int:
    if isinstance(node, AllOf | AnyOf):
        return 1 + max(_depth(part) for part in node.parts)
    return 1 + _depth(node.part) if isinstance(node, Without) else 0


def _check(text: str) -> None:
    query = parse(text)
    found = list(leaves(query.root))
    assert sum(len(leaf.tokens) if isinstance(leaf, Phrase) else 1 for leaf in found) <= 2 * MAX_WORDS
    assert _depth(query.root) <= 4 * MAX_DEPTH
    assert all(len(leaf.start) >= 2 or leaf.then_digit for leaf in found if isinstance(leaf, Prefix))
    if query.root is not None:
        again = parse(spell(query.root))
        assert again.root is not None


@settings(deadline=None)
@given(st.text(max_size=600))
@example('"' * 399)
@example("-" * 400)
@example("((((" * 100)
@example("- - -(-(not not not")
@example("ﷺ" * 400)  # one sign that normalises to eighteen letters
@example("0* W0* w000000*")
@example("a\x00b \ud800 c")
def test_any_text_is_read(text: str) -> None:
    parse(text)


@settings(deadline=None)
@given(
    st.lists(
        st.sampled_from(['"', "(", ")", "-", "not", "or", "*", "mast", "W03", "0.5 mm", "sold*", " ", "the", "W", "3"])
    )
)
def test_any_row_of_signs_is_read(parts: list[str]) -> None:
    _check(" ".join(parts))
    _check("".join(parts))
