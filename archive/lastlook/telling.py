"""Decisions in words, one line each, for the command line and the pages alike. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from lastlook.records import Decision


def decision_words(decision: Decision) -> str:
    """A decision in one line."""
    body: Mapping[str, Any] = decision.body
    if decision.kind == "tag":
        many = body["pictures"]
        what = many[0] if len(many) == 1 else f"{len(many)} pictures"
        said = [f"is {target}" for _, target in body.get("set", ())]
        said += [f"is not {target}" for _, target in body.get("reject", ())]
        if body.get("caption") is not None:
            said.append(f"caption “{body['caption']}”" if body["caption"] else "caption emptied")
        return f"{what} {', '.join(said)}"
    if decision.kind in {"close", "reopen"}:
        word = "closed" if decision.kind == "close" else "opened again"
        how = f", {body['method']}" if body.get("method") else ""
        gaps = ", with gaps" if "check" in body and not body["check"].get("ready") else ""
        return f"{body['opening']} {word} {body.get('said', '')}{how}{gaps}"
    words = closing_words(decision.kind, body)
    if words:
        return words
    if decision.kind == "session":
        return f"session on {', '.join(target for _, target in body['targets'])}, {body.get('said', '')}"
    if decision.kind == "session-stop":
        return f"session {body['session'][:8]} stopped, {body.get('said', '')}"
    if decision.kind == "plan":
        return "plan loaded"
    drawn = _drawn_words(decision.kind, body)
    if drawn:
        return drawn
    if decision.kind == "clock":
        return f"clock of {body['camera']}: {body['error_s']:+g} s"
    if decision.kind == "camera":
        return f"{body['camera']} is {body['into'] if 'into' in body else 'called ' + repr(body['name'])}"
    if decision.kind == "reference":
        return f"clock card in {body['picture']} {'counts' if body['used'] else 'is left out'}"
    if decision.kind == "still":
        return f"still kept at {int(body['clip_ms']) / 1000:g} s of a clip"
    if decision.kind == "heard":
        return f"listened to clip c{body['clip'][:12]}: {len(body['heard'])} times heard names of the plan"
    if decision.kind == "statement":
        return f"stated under {body['topic']}: “{body['text']}”"
    if decision.kind == "private":
        return f"{', '.join(body['subjects'])} {'never leaves' if body['private'] else 'may be handed over again'}"
    if decision.kind == "approval-pack":
        return f"asked for approval ({body['point']}): “{body['wording']}”"
    if decision.kind == "approval":
        return f"{body['person']} answered {str(body['pack'])[:8]}: {body['answer']}, “{body['words']}”"
    if decision.kind == "undo":
        return f"took back {decision.undoes[:8]}"
    return decision.kind


def closing_words(kind: str, body: Mapping[str, Any]) -> str:
    """A decision that prepares a closing, in one line; '' for other kinds."""
    at = f" {body['said']}" if body.get("said") and body["said"] != "now" else ""
    if kind == "view":
        many = body["pictures"]
        what = many[0] if len(many) == 1 else f"{len(many)} pictures"
        shows = f", {' '.join(body['shows'])}" if body.get("shows") else ""
        return f"{what}: {body['view']} view of {', '.join(target for _, target in body['items'])}{shows}"
    if kind == "change":
        return f"{body['item']} {body['change']}{at}{': ' + body['why'] if body.get('why') else ''}"
    if kind == "measure":
        return f"{body['item']} {body['measure']} {body['mm']:g} mm{at}"
    if kind == "test":
        value = f" {body['value']:g} {body['unit']}".rstrip() if body.get("value") is not None else ""
        return f"{body['subject']} {body['test']} {'passed' if body['passed'] else 'failed'}{value}{at}"
    if kind == "done":
        return f"{body['step']} done{at}, {body['person']}"
    if kind == "release":
        against = f" against {len(body['waived'])} waived" if body.get("waived") else ""
        return f"{body['target']} released{at} by {body['person']}{against}"
    if kind == "witness":
        return f"{body['step']}: {body['person']} {'attended' if body['attended'] else 'was told'}{at}"
    if kind == "waiver":
        what = f" {body['what']}" if body["what"] else ""
        return f"{body['opening']}: {body['item']}{what} waived{at} by {body['person']}: {body['reason']}"
    if kind == "adhesive":
        return f"data sheet of {body['id']} copied"
    if kind == "bond":
        return f"{body['target']} bonded {body['joined'].get('said', '')} with {body['adhesive']}"
    return ""


def _drawn_words(kind: str, body: Mapping[str, Any]) -> str:
    """What was drawn on pictures or said of them in millimetres, in one line; '' for other kinds."""
    if kind == "mark":
        what = f" of {body['of']}" if body["of"] else f" “{body['label']}”" if body["label"] else ""
        return f"{body['shape']}{what} drawn on {body['picture']}"
    if kind == "tie":
        count = len(body["points"])
        return f"{count} place{'' if count == 1 else 's'} of {body['a']} and {body['b']} tied"
    if kind != "known":
        return ""
    if body["what"] == "length":
        return f"known length of {body['mm']:g} mm on {body['picture']}"
    if body["what"] == "depth":
        if body.get("most") is not None:
            return f"depth of {body['of']}: {_tenths(body['least'])} to {_tenths(body['most'])} mm"
        return f"depth of {body['of']}: {_tenths(body['mm'])} ± {_tenths(max(body['within'], 0.1))} mm"
    if body["what"] == "plane":
        return f"{len(body['points'])} known places on {body['picture']}"
    if body["what"] == "marker":
        return f"{body['name']} of {body['mm']:g} mm{' on ' + body['picture'] if body['picture'] else ''}"
    return f"lens of {body['camera']}" if body["what"] == "lens" else ""


def _tenths(mm: float) -> str:
    """As near as a depth is measured by hand."""
    return f"{round(mm, 1):g}"
