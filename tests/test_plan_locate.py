"""Line numbers of a TOML text: the values come from the standard library's reader, the lines from the text itself."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastlook.plan.locate import KeyPath, locate

DATA = Path(__file__).parent / "data"

# In these texts every whole number is the number of the line on which it stands.
AWKWARD = '''# a remark with [brackets] and "quotes"
first = 2   # [[not.a.table]]
dotted.key."with.dot" = 3
list = [4, 4,
  5, # , 99 ]
  # 99

  [8, [8,
9]], "]", """
]""", 10,
]
inline = { a = 12, b = { c = 12, d = [12,
13] }, "e f" = 13 }
text = """
# not a remark
[[not]]
key = 5
four quotes: \\""" and """"
after = 19
literal = \'\'\'
[no]
\\\'\'\'\'\'
after2 = 23
'single\\' = 24
"esc\\u0041ped\\t" = 25
when = 1979-05-27 07:32:32 # date with a blank
float = 1.5e3
[[item]]
id = 29
[item.sub]
x = 31
[[item.sub.deep]]
x = 33
[[item.sub.deep]]
x = 35
[[item]]
  id = 37
    [  item . "sub"  ]
x=39
[other]
[[item]]
id = 42
[item.sub.sub2]
x = 44'''


def walk(value: object, path: KeyPath = ()) -> Iterator[tuple[KeyPath, object]]:
    yield path, value
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from walk(inner, (*path, key))
    elif isinstance(value, list):
        for place, inner in enumerate(value):
            yield from walk(inner, (*path, place))


def check(text: str) -> int:
    """Every path the standard library reads is found and no other; whole numbers name their own line."""
    lines = locate(text)
    read = dict(walk(tomllib.loads(text)))
    assert set(lines.by_path) | {()} == set(read)
    numbers = 0
    for path, value in read.items():
        if type(value) is int:
            assert lines.of(path) == value, path
            numbers += 1
    return numbers


def test_awkward_text() -> None:
    assert check(AWKWARD) == 26


def test_remarks_are_gathered_but_not_from_texts() -> None:
    remarks = locate(AWKWARD).comments
    assert remarks[:2] == ['# a remark with [brackets] and "quotes"', "# [[not.a.table]]"]
    assert "# not a remark" not in remarks


@pytest.mark.parametrize("name", ["plan-lv40.toml", "plan-faulty.toml"])
def test_tables_and_keys_of_a_plan_stand_where_the_text_has_them(name: str) -> None:
    text = (DATA / name).read_text(encoding="utf-8")
    rows = text.split("\n")
    lines = locate(text)
    assert set(lines.by_path) | {()} == set(dict(walk(tomllib.loads(text))))
    for path, line in lines.by_path.items():
        if isinstance(path[-1], str) and len(path) > 1:
            assert rows[line - 1].lstrip().startswith(path[-1])


def test_what_is_not_there_is_named_by_what_is_around_it() -> None:
    lines = locate("\n[[run]]\nid = 'W01'\n")
    assert lines.of(("run", 0, "title")) == 2
    assert lines.of(("nothing",)) == 1


class _Writer:
    """Writes TOML in many layouts; whole numbers get the line on which they end up."""

    def __init__(self, data: st.DataObject) -> None:
        self.data = data
        self.text = ""

    def draw(self, *choices: str) -> str:
        return self.data.draw(st.sampled_from(choices))

    def value(self, depth: int) -> None:
        kind = self.draw("number", "number", "text", "long", "literal", "list", "inline")
        if kind == "text":
            self.text += self.draw('"a # [b] = {"', "'c:\\'", '""', '"\\\\\\""')
        elif kind == "long":
            self.text += self.draw('"""\n[x]\n# "" y\n"""', '"""a\\"""""', "'''\n''z'\n'''", '""""a"\n"""')
        elif kind == "literal":
            self.text += self.draw("true", "1.5", "inf", "1979-05-27T07:32:32Z", "1979-05-27 07:32:32", "07:32:00")
        elif kind == "list" and depth:
            self.text += "[" + self.draw("", " ", "\n", " # ]\n", "\n\n\t")
            for _ in range(self.data.draw(st.integers(0, 3))):
                self.value(depth - 1)
                self.text += self.draw(",", " ,", "\n,", " # , x\n,\n", ", \n  ")
            self.text += "]"
        elif kind == "inline" and depth:
            self.text += "{ "
            for place in range(self.data.draw(st.integers(0, 3))):
                self.text += ", " if place else ""
                self.pair(place, depth - 1)
            self.text += " }"
        else:
            self.text += str(self.text.count("\n") + 1)

    def pair(self, place: int, depth: int) -> None:
        self.text += self.draw("k{}", '"k {}"', "'k.{}'", "k{}.a", 'k{} . "b\\u0062"').format(place)
        self.text += self.draw("=", " = ", "\t=  ")
        self.value(depth)

    def end(self) -> None:
        self.text += self.draw("\n", "  # note = [\n", "\n\n", "\n# [[x]]\n\n")


@given(st.data())
def test_any_layout(data: st.DataObject) -> None:
    writer = _Writer(data)
    for place in range(data.draw(st.integers(0, 2))):
        writer.pair(place, 2)
        writer.end()
    for table in range(data.draw(st.integers(0, 3))):
        writer.text += writer.draw("[[run]]", "[[ run ]]", f"[t{table}]", f"[ t{table} . 'x y' ]", '[[part."p"]]')
        writer.end()
        for place in range(data.draw(st.integers(0, 3))):
            writer.pair(place, 2)
            writer.end()
    check(writer.text)
