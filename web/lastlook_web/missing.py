"""What a page that is not there offers instead: ids that begin so, ids that look alike, each with its address."""

from __future__ import annotations

from collections.abc import Iterable

from flask import url_for

from lastlook.catalogue import media, pictures
from lastlook.errors import AmbiguousId, LastlookError, NoSuchId
from lastlook.plan import structure
from lastlook.plan.structure import kind_of
from lastlook.records import Dimension, clip_id
from lastlook.store import Store

MOST = 6
_WHERE = {
    "picture": "The build shows every picture at its time; the box above finds it by what it shows.",
    "clip": "The box above finds its stills by what they show.",
}
_ANYWHERE = "Ask for it above, or look for it in the plan."


def hint(error: NoSuchId) -> str:
    """What to do, on a page: no command of a terminal."""
    return _WHERE.get(error.what, _ANYWHERE)


def offers(store: Store, error: NoSuchId | AmbiguousId) -> list[tuple[str, str]]:
    """(id, address) of what may have been meant, at most `MOST`; nothing where the archive cannot be asked."""
    try:
        if isinstance(error, AmbiguousId):
            return _addresses(store, error.what, error.fits)
        begun = _begun(store, error.what, error.given.strip())
        return _addresses(store, error.what, dict.fromkeys((*begun, *error.nearest)))
    except LastlookError:
        return []


def _begun(store: Store, what: str, given: str) -> tuple[str, ...]:
    """Ids that begin with what was given."""
    try:
        if what == "picture":
            return (pictures.find(store.catalogue, given).id,)
        if what == "clip":
            return (clip_id(media.find_clip(store.catalogue, given).sha256),)
    except AmbiguousId as error:
        return error.fits
    except NoSuchId:
        return ()
    wanted = given.casefold()
    return tuple(id for id in structure.items(store.plan) if wanted and id.casefold().startswith(wanted))


def _addresses(store: Store, what: str, ids: Iterable[str]) -> list[tuple[str, str]]:
    items = structure.items(store.plan)
    found = []
    for id in ids:
        item = items.get(id)
        if what in ("picture", "clip"):
            found.append((id, url_for(f"{what}s.page", id=id)))
        elif item is None:
            continue
        elif kind_of(item) == "opening":
            found.append((f"{id} {item.title}", url_for("closings.check", id=id)))
        elif kind_of(item) == Dimension.SUBASSEMBLY:
            found.append((f"{id} {item.title}", url_for("subassemblies.page", id=id)))
        else:
            found.append((f"{id} {item.title}", url_for("ask.page", q=id)))
    return found[:MOST]
