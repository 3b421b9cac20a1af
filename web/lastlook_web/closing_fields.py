"""What the forms beside a closing check ask for: their fields, and what can be chosen in each."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from lastlook.closing import cautions, graph, steps
from lastlook.closing.records import Adhesive, ChangeKind, Check, MeasureKind
from lastlook.closing.testing import KINDS
from lastlook.closing_facts import gather
from lastlook.plan import colours
from lastlook.records import Opening, Run
from lastlook_web.app import store


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a form. `choices`: (value, words) of a list to choose from; `kind`: text, number, choice, one (of
    few, none taken for granted), offered (typed, with names offered), tick."""

    name: str
    label: str
    kind: str = "text"
    required: bool = False
    choices: tuple[tuple[str, str], ...] = ()
    hint: str = ""


@dataclass(frozen=True, slots=True)
class Form:
    """`act`: what it records; `lacking` says why it cannot be used now."""

    act: str
    title: str
    button: str
    fields: tuple[Field, ...]
    about: str = ""
    lacking: str = ""
    cautions: tuple[str, ...] = ()


_ONE_BY_ONE = "To let a single line of an item pass, take the waiver under that item in the closing check."
_AT = Field("at", "When", hint="like 2026-03-24 13:30; empty is now")
_BY = Field("person", "Who, if not you")
_NAMED = Field("person", "Who, by name", required=True)


MANY = 150
"""Lines to let pass that are listed one by one; of more, those of one item."""


def forms(opening: Opening, check: Check, of: str = "") -> tuple[Form, ...]:
    """All forms for one opening, with what can be chosen in each. `of`: the item that is spoken of, if one is."""
    plan = store().plan
    items = graph.visible_items(plan)
    hidden = [(id, f"{id} {items[id].title}") for id in (*check.hides, *check.crossed)]
    runs = [pair for pair in hidden if isinstance(items[pair[0]], Run)]
    facts = gather(store(), ())
    due = steps.due_before(facts, opening.id)
    its_steps = [(step.id, f"{step.id} {step.title}") for step in due]
    own = (opening.id, f"{opening.id} {opening.title}")
    open_lines = [line for line in (*check.lines, *check.retests) if line.open]
    listed = [line for line in open_lines if line.subject == of] if len(open_lines) > MANY else open_lines
    waivable = [(f"{line.subject}|{line.what}", f"{line.subject}: {line.title}, {line.state.value}") for line in listed]
    few = "" if len(listed) == len(open_lines) else f" {_ONE_BY_ONE}"
    subjects = dict.fromkeys(line.subject for line in check.lines if line.open)  # a retest is waived by name
    whole = [(f"{id}|", f"{id}: all that is open") for id in subjects]
    glues = [(one.id, f"{one.id} {one.kind}".strip()) for one in facts.adhesives.values()]
    found = [
        Form(
            *("test", "A test", "Record the test"),
            (
                Field("subject", "Of", "choice", True, (*hidden, *its_steps, own)),
                Field("kind", "Test", "offered", True, tuple((kind.name, kind.title) for kind in KINDS.values())),
                Field("passed", "Outcome", "one", True, (("yes", "passed"), ("no", "failed"))),
                Field("value", "Value", "number"),
                Field("unit", "Unit", hint="of the value: Ω, V, mA"),
                Field("instrument", "Instrument"),
                Field("through", "Through the connector", hint="after closing"),
                Field("text", "What was seen"),
                *(_AT, _BY),
            ),
            "After a change it is made anew; after the closing it is made again through the external connector.",
        ),
        Form(
            *("change", "A change", "Record the change"),
            (
                Field("item", "Of", "choice", True, tuple(hidden)),
                Field("kind", "What happened", "choice", True, tuple((one.value, one.value) for one in ChangeKind)),
                Field("why", "Why"),
                Field("length", "Cut length since then, mm", "number", hint="a run only"),
                Field("colour", "Colour since then", hint=f"a run only; {', '.join(list(colours.BY_CODE)[:4])} …"),
                *(_AT, _BY),
            ),
            "Earlier pictures, tests and lengths of it are stale from then on, and so are words about it.",
            "" if hidden else "This closing hides nothing of the plan.",
        ),
        Form(
            *("measure", "A length", "Record the length"),
            (
                Field("item", "Of run", "choice", True, tuple(runs)),
                Field(
                    "kind", "What was measured", "choice", True, tuple((one.value, one.value) for one in MeasureKind)
                ),
                Field("mm", "Length, mm", "number", True),
                Field("instrument", "With what"),
                *(_AT, _BY),
            ),
            "Measuring changes nothing and makes nothing stale.",
            "" if runs else "No run is hidden or crossed by this closing.",
        ),
        Form(
            *("done", "A step finished", "Record that it is done"),
            (Field("step", "Step", "choice", True, tuple(its_steps)), Field("words", "Worth noting"), _AT, _BY),
            "",
            "" if its_steps else "No step is due before this closing.",
        ),
        Form(
            *("witness", "A witness", "Record the witness"),
            (
                Field("step", "Step", "choice", True, tuple(its_steps)),
                Field("attended", "Came", "one", True, (("yes", "came and saw"), ("no", "told in time, did not come"))),
                *(_NAMED, Field("words", "What was said"), _AT),
            ),
            "",
            "" if its_steps else "No step is due before this closing.",
        ),
        Form(
            *("release", "A release", "Record the release"),
            (
                Field("target", "Of", "choice", True, (*its_steps, own)),
                *(_NAMED, Field("words", "The words of the release"), _AT),
            ),
            "A named person lets work pass; the program releases nothing. Refused while what is due before it is open.",
        ),
        Form(
            *("waive", "A waiver", "Record the waiver"),
            (
                Field("line", "Let pass", "choice", True, (*waivable, *whole)),
                Field("reason", "Reason", required=True, hint="as in: no line of sight past the hold-down"),
                *(_NAMED, _AT),
            ),
            "It counts as waived, never as passed, and lapses with a change or when the opening is opened again." + few,
            "" if open_lines else "Nothing is open, so there is nothing to waive.",
        ),
        Form(
            *("bond", "A bond", "Record the bond"),
            (
                Field("target", "Of", "choice", True, (own, *hidden, *its_steps)),
                Field("adhesive", "Adhesive", "choice", True, tuple(glues)),
                Field("joined", "Joined", required=True, hint="like 2026-03-27 11:29, or now"),
                Field("temperature", "Temperature, °C", "number"),
                *(Field("mixed", "Mixed"), Field("clamp_on", "Clamps on"), Field("clamp_off", "Clamps off")),
                *(Field("batch", "Batch"), Field("expiry", "Use by"), Field("ratio", "Ratio, as weighed")),
                *(Field("mass", "Mass mixed, g", "number"), Field("humidity", "Humidity, %", "number")),
                *(Field("preparation", "Surfaces"), Field("note", "Note"), _BY),
            ),
            "Until it has cured it must not be loaded. A colder night later on is a test: cure-temperature.",
            "" if glues else "No adhesive is in the list yet: copy a data sheet first, below.",
            (*_of_glues(facts.adhesives.values()), cautions.UNCURED),
        ),
        Form(
            *("adhesive", "An adhesive's data sheet", "Copy the data sheet"),
            (
                Field("id", "Your name for it", required=True, hint="like EPOXY-SLOW"),
                Field("kind", "Kind", hint="two-part epoxy, cyanoacrylate …"),
                *(Field("fixture_h", "Fixture, h", "number"), Field("handling_h", "Handling, h", "number")),
                *(Field("full_cure_h", "Full cure, h", "number"), Field("reference_c", "Those hold at, °C", "number")),
                *(Field("minimum_c", "Not below, °C", "number"), Field("pot_life_min", "Pot life, min", "number")),
                *(Field("ratio", "Mixing ratio"), Field("sheet", "Issue and date of the sheet"), Field("note", "Note")),
            ),
            "Leave empty what the sheet does not say: what is not known is never guessed.",
        ),
    ]
    if check.shut:
        found.append(
            Form(
                *("reopen", "Opened again", f"Record that {opening.id} was opened"),
                (Field("at", "When", required=True, hint="like 2026-04-10 09:00, or now"),),
                "What was let pass for its last closing does not hold for the next.",
            )
        )
    else:
        left = "" if check.ready else "While lines are open nothing is recorded, unless you say so."
        gaps = Field("with_gaps", "Record that it was closed with what stands open", "tick")
        found.append(
            Form(
                *("close", "The closing", f"Record that {opening.id} was closed"),
                (
                    Field("at", "When", required=True, hint="like 2026-04-09 11:44, or now"),
                    *(Field("method", "How", hint="bonded with …"), gaps),
                ),
                f"Runs the check for that time, and keeps it, the plan and the last look. {left}".strip(),
            )
        )
    return tuple(found)


def _of_glues(known: Iterable[Adhesive]) -> tuple[str, ...]:
    """The cautions of every adhesive in the list, each once."""
    return tuple(dict.fromkeys(words for one in known for words in cautions.of_adhesive(one.kind)))
