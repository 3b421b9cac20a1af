"""The chapters of what can no longer be seen: what is behind each closed opening, and the bonds that keep it shut."""

from __future__ import annotations

from lastlook.closing import bonds as bonding
from lastlook.closing import cautions
from lastlook.closing.records import Bond
from lastlook.handover.chapters import KINDS, STATES, Desk
from lastlook.handover.chapters_records import sourced
from lastlook.handover.content import Chapter, Figure, Section, Statement
from lastlook.handover.words import N_
from lastlook.records import OpeningKind


def behind(desk: Desk) -> Chapter:
    """What is behind each closed opening, with the last look at it."""
    words = desk.words
    sections = []
    for opening in desk.material.plan.openings:
        if opening.id not in desk.material.items:
            continue
        closing = desk.shut(opening.id)
        if closing is None:
            text = words(N_("open: no closing is recorded"))
            sections.append(Section(f"behind-{opening.id}", desk.title(opening.id), (Statement(text),)))
            continue
        method = f", {closing.method}" if closing.method else ""
        statements = [
            Statement(
                words(N_("closed, {time}"), time=words.time(closing.time)) + method,
                words(KINDS[opening.kind]),
                desk.person(closing.by),
            )
        ]
        if opening.kind is OpeningKind.BONDED:
            statements.append(
                Statement(words(N_("It stays shut: what is behind it is known from these pictures only.")))
            )
        figures: list[Figure] = []
        for id in opening.shows:
            if id not in desk.material.items:  # of what is out of scope nothing is said, not even that it is missing
                continue
            look = desk.look(id)
            if look:
                statements.append(
                    Statement(words(STATES[look[0].state]), desk.title(id), "", tuple(one.picture for one in look))
                )
                figures += [Figure(one.picture, f"{desk.title(id)}: {words(STATES[one.state])}") for one in look]
            else:
                statements.append(
                    desk.gap(words(N_("not recorded: no picture from before it was hidden")), desk.title(id))
                )
        waived = desk.facts.waivers.get(opening.id, ())
        if waived and "waivers" not in desk.material.fields:
            statements.append(
                Statement(
                    words.many("{n} waiver stands", "{n} waivers stand", len(waived)), words(N_("Closed with waivers"))
                )
            )
        unique = {figure.picture: figure for figure in reversed(figures)}
        sections.append(
            Section(
                f"behind-{opening.id}",
                desk.title(opening.id),
                tuple(statements),
                figures=tuple(reversed(unique.values())),
            )
        )
    return Chapter(
        "behind",
        words(N_("What is behind each closed opening")),
        words(
            N_(
                "For each hidden item the last look: the newest picture that is newer than its last change and older "
                "than its hiding; where there is none, the newest there is, and why it proves less."
            )
        ),
        tuple(sections),
    )


def bonds(desk: Desk) -> Chapter:
    words = desk.words
    statements: list[Statement] = []
    warned: list[str] = []
    found = [bond for bond in desk.facts.bonds if bond.target in desk.material.items]
    for bond in found:
        statements.append(Statement(_bond(desk, bond), desk.title(bond.target), *sourced(desk, bond.target, bond)))
        sheet = desk.facts.adhesives.get(bond.adhesive.casefold())
        warned += cautions.of_adhesive(sheet.kind if sheet else "")
    done = {bond.target for bond in found}
    for opening in desk.material.plan.openings:
        if opening.kind is OpeningKind.BONDED and opening.id in desk.material.items and opening.id not in done:
            closing = desk.shut(opening.id)
            said = words(N_("no bond is recorded: adhesive, batch and cure are not known"))
            if closing is not None and closing.method:
                said += f" ({words(N_('closing'))}: {closing.method})"
            statements.append(desk.gap(said, desk.title(opening.id)))
    if found:
        warned.append(cautions.UNCURED)
    statements += [Statement(words(text), caution=True) for text in dict.fromkeys(warned)]
    return Chapter(
        "bonds",
        words(N_("Bonds, and what can be undone")),
        "",
        (
            Section("bonds-all", words(N_("Bonds")), tuple(statements)),
            Section("bonds-undo", words(N_("What can be undone")), tuple(desk.topics("bonds"))),
        ),
    )


def _bond(desk: Desk, bond: Bond) -> str:
    words = desk.words
    sheet = desk.facts.adhesives.get(bond.adhesive.casefold())
    parts = [f"{bond.adhesive} ({sheet.kind})" if sheet and sheet.kind else bond.adhesive]
    if bond.batch:
        parts.append(words(N_("batch {batch}"), batch=bond.batch))
    if bond.expiry:
        parts.append(words(N_("expiry {date}"), date=bond.expiry))
    if bond.ratio:
        parts.append(words(N_("mixed {ratio}"), ratio=bond.ratio))
    if bond.mass_g is not None:
        parts.append(f"{words.number(bond.mass_g)} g")
    if bond.temperature_c is not None:
        parts.append(f"{words.number(bond.temperature_c, 1)} °C")
    if bond.humidity_percent is not None:
        parts.append(words(N_("{percent} % relative humidity"), percent=words.number(bond.humidity_percent, 0)))
    if bond.preparation:
        parts.append(bond.preparation)
    took = bonding.full_cure(bond, desk.facts.adhesives)
    if took.hours is not None:
        until = words.time(bonding.end_of(bond.joined, took.hours))
        parts.append(
            words(N_("full cure after {hours} h, no load until {time}"), hours=words.number(took.hours), time=until)
        )
    else:
        parts.append(words(N_("when it had cured is not known")))
    if bond.note:
        parts.append(bond.note)
    return "; ".join(parts)
