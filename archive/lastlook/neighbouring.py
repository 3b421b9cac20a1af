"""The files numbered just before and after a clip, in the folder it came from: what its container's time is held
against (see `lastlook.times.neighbours`). Their times come from the claims kept of them; no media is read."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable

from lastlook import times
from lastlook.cameras import cameras
from lastlook.catalogue import Catalogue, media, paths
from lastlook.intake.names import counted
from lastlook.records import CaptureTime

MOST_APART = 20
"""How far a neighbour's number may lie off: beyond, some of a folder were left behind (common practice, no source)."""

_ByNumber = list[tuple[int, str, str]]  # (number, name, content), in order


class Neighbourhood:
    """Finds what lies beside clips; keeps what it has found, so that it is to be used for one pass only.

    `resolve` gives the time of a photo or clip by what itself holds.
    """

    def __init__(self, catalogue: Catalogue, resolve: Callable[[media.Medium], CaptureTime]) -> None:
        self._catalogue = catalogue
        self._resolve = resolve
        self._whole = cameras(catalogue).whole
        self._folders: dict[str, dict[tuple[str, str], _ByNumber]] = {}
        self._known: dict[tuple[str, str], times.Neighbour | None] = {}

    def of(self, sha256: str, camera: str) -> times.Beside | None:
        """The files beside a clip whose camera has the key `camera`; None where it names no camera, carries no number,
        or has none on one side."""
        if not camera:
            return None
        for met in paths.sightings_of(self._catalogue, [sha256]).get(sha256, ()):
            folder, _, name = met.path.rpartition("/")
            number = counted(name)
            if number is None:
                continue
            found = self._near(folder, met.path, (number[0], self._whole(camera)), number[1])
            beside = times.bounding(number[1], found)
            if beside is not None:
                return beside
        return None

    def _near(self, folder: str, path: str, series: tuple[str, str], number: int) -> list[tuple[int, times.Neighbour]]:
        if folder not in self._folders:
            self._folders[folder] = self._read(path)
        numbered = self._folders[folder].get(series, [])
        found = []
        for at in range(bisect_left(numbered, (number - MOST_APART,)), len(numbered)):
            other, name, sha256 = numbered[at]
            if other > number + MOST_APART:
                break
            if other != number and (neighbour := self._neighbour(name, sha256)) is not None:
                found.append((other, neighbour))
        return found

    def _read(self, path: str) -> dict[tuple[str, str], _ByNumber]:
        found: dict[tuple[str, str], _ByNumber] = {}
        for name, sha256, camera in paths.beside(self._catalogue, path):
            number = counted(name)
            if number is not None and camera:
                found.setdefault((number[0], self._whole(camera)), []).append((number[1], name, sha256))
        for each in found.values():
            each.sort()
        return found

    def _neighbour(self, name: str, sha256: str) -> times.Neighbour | None:
        if (name, sha256) not in self._known:
            medium = media.get(self._catalogue, sha256)
            self._known[name, sha256] = None
            if medium is not None:
                self._known[name, sha256] = times.neighbour(name, self._resolve(medium), medium.claims)
        return self._known[name, sha256]
