"""What a viewer is told when it starts."""

from __future__ import annotations

import ipaddress
import secrets
from dataclasses import dataclass, field
from pathlib import Path

from lastlook.archive import Archive
from lastlook.errors import UsageError

SHORTEST_PASSCODE = 8
IDLE_S = 4 * 3600.0
"""A visit ends when it was not seen for so long: a meal, not a night."""
LONGEST_S = 24 * 3600.0
"""A visit ends after so long at the latest."""


@dataclass(frozen=True, slots=True)
class Limits:
    """In bytes: the largest photo and clip taken from a phone, and the largest form that is sent without script."""

    photo: int = 200_000_000
    clip: int = 8_000_000_000
    form: int = 64_000_000


@dataclass(frozen=True, slots=True)
class ViewerConfig:
    """`host`, `port`: where it listens; this machine only unless told otherwise. `by`: who decides on its pages ('' for
    the name this person has logged in with). `allowed_hosts`: names under which it may be called, besides its own.
    `lan`: addresses of this machine at which it listens as well.
    `passcode`: asked for before anything is shown; required as soon as other machines can reach it. `secret` signs
    the cookie: a new one at each start, so that no visit outlives the viewer. `inboxes`, `backups`: folders that may be
    taken in or backed up to from the pages; `records`: where hand-over records are put (beside the archive else).
    """

    archive: Archive
    by: str = ""
    host: str = "127.0.0.1"
    port: int = 8047
    allowed_hosts: tuple[str, ...] = ()
    lan: tuple[str, ...] = ()
    passcode: str = field(default="", repr=False)
    idle_s: float = IDLE_S
    longest_s: float = LONGEST_S
    limits: Limits = field(default_factory=Limits)
    inboxes: tuple[Path, ...] = ()
    backups: tuple[Path, ...] = ()
    records: Path | None = None
    secret: bytes = field(default_factory=lambda: secrets.token_bytes(32), repr=False)

    @property
    def on_this_machine_only(self) -> bool:
        return is_loopback(self.host) and not self.lan

    def check(self) -> None:
        """Raises UsageError where other machines could look in unasked."""
        if not 0 <= self.port <= 65535:
            raise UsageError(f"there is no port {self.port}", "Give one between 1024 and 65535.")
        if not 0 < self.idle_s <= self.longest_s:
            raise UsageError("a visit cannot be idle for longer than it lasts", "Give a shorter idle time.")
        if self.on_this_machine_only and not self.passcode:
            return
        if not self.passcode:
            raise UsageError(
                f"at {', '.join(self.lan) or self.host} other machines can reach the viewer, and it has no passcode",
                "Give one, or leave the address out to show it on this machine only.",
            )
        if len(self.passcode) < SHORTEST_PASSCODE:
            raise UsageError(
                f"the passcode has {len(self.passcode)} letters",
                f"Give at least {SHORTEST_PASSCODE} letters or digits.",
            )


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach an address that listens at `host`."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False
