"""The chapters of a record, up to the subassemblies. Each is a pure function of the desk."""

from __future__ import annotations

from collections.abc import Iterable

from lastlook.closing.graph import Access, Sight
from lastlook.closing.records import Facts, LookPicture, State
from lastlook.handover import topics
from lastlook.handover.content import Cell, Chapter, Figure, Section, Statement, Table
from lastlook.handover.material import Material, Stated
from lastlook.handover.words import N_, Words
from lastlook.plan import structure
from lastlook.records import CaptureTime, Closing, Opening, OpeningKind, TagState

KINDS = {
    OpeningKind.BONDED: N_("bonded: opening it means cutting"),
    OpeningKind.SCREWED: N_("screws"),
    OpeningKind.MAGNETIC: N_("magnets"),
    OpeningKind.HATCH: N_("hatch"),
}
SIGHTS = {
    Sight.SEEN: N_("can be seen"),
    Sight.HIDDEN: N_("hidden"),
    Sight.UNDETERMINED: N_("not determined"),
    Sight.ALWAYS: N_("always in view"),
}
ACCESSES = {
    Access.YES: N_("yes, through {openings}"),
    Access.NO: N_("no"),
    Access.UNDETERMINED: N_("not determined ({openings})"),
    Access.NOT_SAID: N_("not recorded"),
}
STATES = {
    State.PASSED: N_("newer than the last change, older than the closing"),
    State.STALE: N_("shows an older state: the item was changed afterwards"),
    State.UNDETERMINED: N_("the order against the last change or the closing is not known"),
    State.GAP: N_("tagged with it; nobody has said how it shows it"),
    State.WAIVED: N_("waived"),
}


_NO_CLOCK = {"file-system", "exif-modified", "unknown"}


class Desk:
    """The material, the words, and the gaps met while chapters are written."""

    def __init__(self, material: Material, words: Words) -> None:
        self.material = material
        self.words = words
        self.gaps: list[str] = []
        self.items = structure.items(material.plan)

    @property
    def facts(self) -> Facts:
        return self.material.facts

    def title(self, id: str) -> str:
        item = self.items.get(id)
        return f"{id} {item.title}" if item is not None else id

    def gap(self, text: str, label: str = "") -> Statement:
        """Something that is not recorded, said where it is missed and again in the last chapter."""
        self.gaps.append(f"{label}: {text}" if label else text)
        return Statement(text, label=label, missing=True)

    def there(self, ids: Iterable[str]) -> tuple[str, ...]:
        return tuple(dict.fromkeys(id for id in ids if id in self.material.pictures))

    def person(self, name: str) -> str:
        return "" if "people" in self.material.fields else name

    def source(self, person: str, time: CaptureTime | None) -> str:
        """Who said so, and of when."""
        parts = [self.person(person), self.words.time(time) if time is not None else ""]
        return ", ".join(part for part in parts if part)

    def near(self, id: str, time: CaptureTime | None) -> tuple[str, ...]:
        """The picture of an item that was taken nearest to a time: where to look, no proof."""
        if time is None or time.instant is None:
            return ()
        best, least = "", 3 * 86400.0
        for picture in self.there(self.material.tagged.get(id, ())):
            taken = self.material.pictures[picture].time.instant
            if taken is not None and abs((taken - time.instant).total_seconds()) < least:
                best, least = picture, abs((taken - time.instant).total_seconds())
        return (best,) if best else ()

    def look(self, id: str) -> tuple[LookPicture, ...]:
        found = self.material.looks.get(id)
        return tuple(one for one in found.pictures if one.picture in self.material.pictures) if found else ()

    def shut(self, opening: str) -> Closing | None:
        """The closing that keeps an opening shut, None while it is open."""
        acts = self.material.closings.get(opening, ())
        return acts[-1] if acts and acts[-1].reopened is None else None

    def topics(self, chapter: str) -> list[Statement]:
        """What is stated under the topics of a chapter, with what is missing and the cautions that belong there."""
        found: list[Statement] = []
        for topic in topics.of_chapter(chapter):
            said = [one for one in self.material.statements if one.topic == topic.key]
            label = self.words(topic.title)
            if said:
                found += [self.stated(one, label) for one in said]
            elif topic.asked:
                found.append(self.gap(self.words(N_("not recorded")), label))
            if said or topic.asked:
                found += [Statement(self.words(text), caution=True) for text in topic.cautions]
        return found

    def stated(self, one: Stated, label: str) -> Statement:
        about = f"{label}, {self.title(one.about)}" if one.about else label
        when = CaptureTime(one.at, one.at, one.at, "said", "")
        return Statement(one.text, about, self.source(one.person, when), self.there(one.pictures))


def what(desk: Desk) -> Chapter:
    words, build = desk.words, desk.material.plan.build
    facts = [Statement(build.name, words(N_("Build")))]
    if build.scale:
        facts.append(Statement(build.scale, words(N_("Scale"))))
    if build.client and "client" not in desk.material.fields:
        facts.append(Statement(build.client, words(N_("For"))))
    plan, scope = desk.material.plan, desk.material.items
    counts = words(
        N_("{subs} subassemblies, {openings} openings, {runs} runs, {parts} parts, {pictures} pictures"),
        subs=sum(one.id in scope for one in plan.subassemblies),
        openings=sum(one.id in scope for one in plan.openings),
        runs=sum(one.id in scope for one in plan.runs),
        parts=sum(one.id in scope for one in plan.parts),
        pictures=words.number(len(desk.material.pictures)),
    )
    facts.append(Statement(counts, words(N_("This record holds"))))
    taken = [one for one in desk.material.pictures.values() if one.time.instant is not None]
    # On a cover: one of which a clock says when it was taken, that somebody has placed, and no dark-room picture.
    taken = [one for one in taken if one.time.basis.split("+")[0] not in _NO_CLOCK] or taken
    taken = [one for one in taken if any(tag.state is TagState.SET for tag in one.tags)] or taken
    taken = [one for one in taken if one.quality is None or one.quality.mean_luma >= 60] or taken
    figures: tuple[Figure, ...] = ()
    if taken:
        last = max(taken, key=lambda one: (one.time.instant or desk.material.issued, one.id))
        figures = (Figure(last.id, words(N_("The newest picture in this record"))),)
    said = desk.topics("what")
    return Chapter(
        "what",
        words(N_("What it is and who made it")),
        "",
        (Section("what-build", words(N_("The build")), (*facts, *said), figures=figures),),
    )


def handling(desk: Desk) -> Chapter:
    return Chapter(
        "handling",
        desk.words(N_("How to lift, carry, power and clean it")),
        desk.words(N_("As the builder states it. What is not stated is said to be not recorded: ask before you act.")),
        (Section("handling-all", desk.words(N_("Handling")), tuple(desk.topics("handling"))),),
    )


def access(desk: Desk) -> Chapter:
    """How to get in: each opening, what can be seen, reached and replaced."""
    words, plan = desk.words, desk.material.plan
    rows = []
    for opening in plan.openings:
        if opening.id not in desk.material.items:
            continue
        closing = desk.shut(opening.id)
        if closing is not None:
            state = words(N_("closed, {time}"), time=words.time(closing.time))
        elif desk.material.closings.get(opening.id):
            state = words(N_("reopened"))
        else:
            state = words(N_("open: no closing is recorded"))
        listed = "; ".join(f"{title}: {', '.join(ids)}" for title, ids in _access_lists(desk, opening))
        rows.append(
            (
                Cell(desk.title(opening.id), link=f"behind-{opening.id}"),
                Cell(words(KINDS[opening.kind])),
                Cell(state, desk.near(opening.id, closing.time if closing else None)),
                Cell(listed or words(N_("not recorded")), missing=not listed),
            )
        )
    heads = (words(N_("Opening")), words(N_("How it is shut")), words(N_("State")), words(N_("What is behind it")))
    items = []
    for state_ in desk.material.states:
        if state_.id not in desk.material.items:
            continue
        reach = words(ACCESSES[state_.reach], openings=", ".join(state_.reach_through))
        replace = words(ACCESSES[state_.replace], openings=", ".join(state_.replace_through))
        items.append(
            (
                Cell(desk.title(state_.id), link=anchor(desk, state_.id)),
                Cell(words(SIGHTS[state_.sight])),
                Cell(reach, missing=state_.reach is Access.NOT_SAID),
                Cell(replace, missing=state_.replace is Access.NOT_SAID),
            )
        )
    item_heads = (
        words(N_("Item")),
        words(N_("Seen")),
        words(N_("Reached by a hand or tool")),
        words(N_("Can be replaced")),
    )
    map_ = Section("access-openings", words(N_("Openings")), (), (Table(words(N_("Access map")), heads, tuple(rows)),))
    seen = Section(
        "access-items",
        words(N_("Seen, reached, replaced")),
        (Statement(words(N_("These are three different states; what the plan does not say is not recorded."))),),
        (Table(words(N_("Items and how they are got at")), item_heads, tuple(items)),),
    )
    said = tuple(desk.topics("access"))
    return Chapter(
        "access",
        words(N_("Access map")),
        words(N_("Where and how to open it, and what is behind.")),
        (map_, seen, Section("access-work", words(N_("Opening and replacing")), said)),
    )


def _access_lists(desk: Desk, opening: Opening) -> list[tuple[str, list[str]]]:
    words = desk.words
    found = (
        (words(N_("seen")), opening.shows),
        (words(N_("reached")), opening.reaches),
        (words(N_("replaced")), opening.replaces),
    )
    listed = [(title, [id for id in ids if id in desk.material.items]) for title, ids in found]
    return [(title, ids) for title, ids in listed if ids]


def subassemblies(desk: Desk) -> Chapter:
    """Each subassembly before, during and after what was done to it."""
    words = desk.words
    sections = []
    for sub in desk.material.plan.subassemblies:
        if sub.id not in desk.material.items:
            continue
        statements: list[Statement] = []
        figures: list[Figure] = []
        around = structure.ancestors(desk.material.plan, sub.id)
        if around:
            statements.append(Statement(desk.title(around[0]), words(N_("Part of"))))
        count = len(desk.there(desk.material.tagged.get(sub.id, ())))
        if not count:
            statements.append(desk.gap(words(N_("no picture of it is in this record")), desk.title(sub.id)))
        for moment in desk.material.moments.get(sub.id, ()):
            name = f"{moment.item} {moment.title}"
            before, after = desk.there((moment.before,)), desk.there((moment.after,))
            if moment.opening:
                if moment.closing is None:
                    statements.append(Statement(words(N_("no closing is recorded")), name))
                    continue
                when = words(N_("closed, {time}"), time=words.time(moment.closing.time))
                method = f", {moment.closing.method}" if moment.closing.method else ""
                statements.append(Statement(when + method, name, "", (*before, *after)))
                if before:
                    figures.append(Figure(before[0], words(N_("Before {opening} was closed"), opening=name)))
                else:
                    statements.append(
                        desk.gap(words(N_("no picture of {sub} from before it was closed"), sub=sub.id), name)
                    )
                if after:
                    figures.append(Figure(after[0], words(N_("After {opening} was closed"), opening=name)))
                else:
                    statements.append(
                        desk.gap(words(N_("no picture of {sub} from after it was closed"), sub=sub.id), name)
                    )
            elif after:
                figures.append(Figure(after[0], words(N_("During {step}"), step=name)))
            else:
                statements.append(desk.gap(words(N_("no picture of this step")), name))
        if not figures and count:
            newest = desk.there(desk.material.tagged.get(sub.id, ()))[-1]
            figures.append(Figure(newest, words(N_("The newest picture of it"))))
        sections.append(Section(f"sub-{sub.id}", desk.title(sub.id), tuple(statements), figures=tuple(figures)))
    return Chapter(
        "subassemblies",
        words(N_("Subassemblies: before, during, after")),
        words(
            N_("For each, the last look before every closing, the newest picture of each step, the first look after.")
        ),
        tuple(sections),
    )


def anchor(desk: Desk, id: str) -> str:
    """The section that is about an item, '' where there is none."""
    item = desk.items.get(id)
    if item is None or id not in desk.material.items:
        return ""
    prefix = {"Subassembly": "sub", "Run": "run", "Opening": "behind"}.get(type(item).__name__, "")
    return f"{prefix}-{id}" if prefix else ""
