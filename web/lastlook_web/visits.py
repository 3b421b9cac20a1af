"""Who is in: visits that end by themselves, codes that let one phone in, and the slowing down of who guesses."""

from __future__ import annotations

import hmac
import ipaddress
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace

Clock = Callable[[], float]

MOST_VISITS = 40
JOIN_SECONDS = 300.0
"""How long a code for a phone is good: as long as it takes to fetch the phone."""
_MOST_CODES = 6
_PASSCODE_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"  # none that looks like another one


def since_start() -> float:
    """Seconds that only grow: setting this machine's clock neither ends a visit nor prolongs it. Time asleep counts,
    where the system tells of it."""
    boot = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic() if boot is None else time.clock_gettime(boot)


def made_passcode() -> str:
    """A passcode of ten letters and figures, in two groups: 31^10 of them, some 49 bits."""
    letters = [secrets.choice(_PASSCODE_LETTERS) for _ in range(10)]
    return "".join(letters[:5]) + "-" + "".join(letters[5:])


@dataclass(frozen=True, slots=True)
class Visit:
    """One browser that was let in. Times are seconds of the registry's clock; `way`: by "passcode" or by "code"."""

    id: str
    address: str
    browser: str
    way: str
    began: float
    seen: float


@dataclass
class Visits:
    """The visits that go on. One ends `idle` seconds after it was last seen, and `longest` after it began."""

    idle: float
    longest: float
    clock: Clock = since_start
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _all: dict[str, Visit] = field(default_factory=dict)

    def begin(self, address: str, browser: str, way: str) -> Visit:
        """Let somebody in, under an id that nobody had before."""
        with self._lock:
            now = self.clock()
            visit = Visit(secrets.token_urlsafe(24), address, browser_words(browser), way, now, now)
            self._all[visit.id] = visit
            for old in sorted(self._all.values(), key=lambda one: one.seen)[:-MOST_VISITS]:
                del self._all[old.id]
            return visit

    def alive(self, id: object, *, touch: bool = True) -> bool:
        """Whether this visit goes on; it is seen now."""
        with self._lock:
            visit = self._all.get(id) if isinstance(id, str) else None
            if visit is None:
                return False
            now = self.clock()
            if now - visit.seen > self.idle or now - visit.began > self.longest:
                del self._all[visit.id]
                return False
            if touch:
                self._all[visit.id] = replace(visit, seen=now)
            return True

    def every(self) -> list[Visit]:
        """Those that go on, the one that was seen last first."""
        ids = list(self._all)
        alive = {id for id in ids if self.alive(id, touch=False)}
        with self._lock:
            return sorted((one for one in self._all.values() if one.id in alive), key=lambda one: -one.seen)

    def end(self, id: object) -> bool:
        with self._lock:
            return isinstance(id, str) and self._all.pop(id, None) is not None

    def end_others(self, id: object) -> int:
        """End all but this one; how many that were."""
        with self._lock:
            others = [one for one in self._all if one != id]
            for other in others:
                del self._all[other]
            return len(others)


def browser_words(agent: str) -> str:
    """What a browser says it is, in a word or two; only words of ours, never its own."""
    system = next((name for mark, name in _SYSTEMS if mark in agent), "")
    name = next((name for mark, name in _BROWSERS if mark in agent), "a browser")
    return f"{name} on {system}" if system else name


_SYSTEMS = (("iPhone", "an iPhone"), ("iPad", "an iPad"), ("Android", "Android"), ("Windows", "Windows"),
            ("Mac OS X", "a Mac"), ("Linux", "Linux"))  # fmt: skip
_BROWSERS = (
    ("Firefox", "Firefox"),
    ("Edg", "Edge"),
    ("Chrom", "Chromium"),
    ("CriOS", "Chromium"),
    ("Safari", "Safari"),
)


@dataclass
class Codes:
    """One-time codes by which a phone is let in without its owner typing the passcode."""

    clock: Clock = since_start
    seconds: float = JOIN_SECONDS
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _good: dict[str, float] = field(default_factory=dict)

    def make(self) -> str:
        """A new code, good for `seconds` and for one phone."""
        with self._lock:
            self._sweep()
            code = secrets.token_urlsafe(12)
            self._good[code] = self.clock() + self.seconds
            while len(self._good) > _MOST_CODES:
                del self._good[next(iter(self._good))]
            return code

    def newest(self) -> tuple[str, float] | None:
        """The newest code that is still good, and how many seconds it is."""
        with self._lock:
            self._sweep()
            if not self._good:
                return None
            code = list(self._good)[-1]
            return code, self._good[code] - self.clock()

    def good(self, code: str) -> bool:
        """Whether a code would let somebody in now; it stays good."""
        with self._lock:
            self._sweep()
            return self._known(code) is not None

    def take(self, code: str) -> bool:
        """Use a code up; whether it was good."""
        with self._lock:
            self._sweep()
            known = self._known(code)
            if known is not None:
                del self._good[known]
            return known is not None

    def _known(self, code: str) -> str | None:
        # Each is compared to the end, whatever the first letters say.
        fits = [one for one in self._good if hmac.compare_digest(one.encode(), code.encode("utf-8", "replace"))]
        return fits[0] if fits else None

    def _sweep(self) -> None:
        now = self.clock()
        for code in [code for code, until in self._good.items() if until <= now]:
            del self._good[code]


@dataclass
class Throttle:
    """Slows down who guesses: after `free` wrong answers each further one doubles the wait, from 1 s to `longest`.

    Counted for each address and, ten times as patiently, for all together, since addresses are cheap. This machine is
    not among all: nobody in the network keeps the builder out of the bench computer. What was wrong is forgotten when
    an hour has passed since it had to be waited for.
    """

    clock: Clock = since_start
    free: int = 3
    longest: float = 300.0
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _wrong: dict[str, tuple[int, float]] = field(default_factory=dict)

    def wait(self, address: str) -> float:
        """Seconds until this address may answer again; 0 for now."""
        with self._lock:
            return self._left(counted_as(address), self.clock())

    def tried(self, address: str, right: Callable[[], bool]) -> tuple[bool, float]:
        """Let `right` judge an answer, and count it: (whether it was right, 0), or (False, the seconds until this
        address may answer), where nothing was judged.

        Judged under the lock: of many answers that come at once, each counts before the next one is looked at.
        """
        address = counted_as(address)
        with self._lock:
            now = self.clock()
            wait = self._left(address, now)
            if wait > 0:
                return False, wait
            if right():
                self._wrong.pop(address, None)
                return True, 0.0
            self._count(address, now)
            return False, 0.0

    def _left(self, address: str, now: float) -> float:
        return max(0.0, *(self._of(name, now)[1] - now for name, _ in self._names(address)))

    def _names(self, address: str) -> list[tuple[str, int]]:
        """What an answer of this address counts for, each with how many wrong ones are free."""
        own = (address, self.free)
        return [own] if address == _HERE else [own, ("", self.free * 10)]

    def _count(self, address: str, now: float) -> None:
        for name, free in self._names(address):
            count = self._of(name, now)[0] + 1
            # A power beyond what a number holds would be an error, and the wait is bounded anyway.
            pause = min(self.longest, 2.0 ** min(count - free, 60)) if count >= free else 0.0
            self._wrong[name] = count, now + pause
        if len(self._wrong) > 1000:
            for name in [name for name in self._wrong if not self._of(name, now)[0]]:
                del self._wrong[name]

    def _of(self, name: str, now: float) -> tuple[int, float]:
        """How many wrong answers count, and until when has to be waited."""
        count, until = self._wrong.get(name, (0, 0.0))
        return (count, until) if until >= now - _FORGOTTEN_S else (0, 0.0)


_HERE = "this machine"
_FORGOTTEN_S = 3600.0


def counted_as(address: str) -> str:
    """By what an address is counted: of IPv6 by its network of 64 bits, in which one machine has all the addresses it
    likes (RFC 4862); those of this machine are one."""
    try:
        given = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    given = getattr(given, "ipv4_mapped", None) or given
    if given.is_loopback:
        return _HERE
    return str(given) if given.version == 4 else str(ipaddress.ip_network((given, 64), strict=False))
