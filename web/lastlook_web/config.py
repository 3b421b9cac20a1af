"""What a viewer is told when it starts."""

from __future__ import annotations

import ipaddress
import secrets
from dataclasses import dataclass, field
from pathlib import Path

from lastlook.archive import Archive
from lastlook.errors import UsageError

SHORTEST_PASSCODE = 6


@dataclass(frozen=True, slots=True)
class ViewerConfig:
    """`host`, `port`: where it listens; this machine only unless told otherwise. `by`: who decides on its pages ('' for
    the name this person has logged in with). `allowed_hosts`: names under which it may be called, besides its own.
    `passcode`: asked for before anything is shown; required as soon as other machines can reach it. `secret` signs
    the cookie: a new one at each start, so that no visit outlives the viewer. `inboxes`, `backups`: folders that may be
    taken in or backed up to from the pages; `records`: where hand-over records are put (beside the archive else).
    """

    archive: Archive
    by: str = ""
    host: str = "127.0.0.1"
    port: int = 8047
    allowed_hosts: tuple[str, ...] = ()
    passcode: str = field(default="", repr=False)
    inboxes: tuple[Path, ...] = ()
    backups: tuple[Path, ...] = ()
    records: Path | None = None
    secret: bytes = field(default_factory=lambda: secrets.token_bytes(32), repr=False)

    @property
    def on_this_machine_only(self) -> bool:
        return is_loopback(self.host)

    def check(self) -> None:
        """Raises UsageError where other machines could look in unasked."""
        if not 0 <= self.port <= 65535:
            raise UsageError(f"there is no port {self.port}", "Give one between 1024 and 65535.")
        if self.on_this_machine_only and not self.passcode:
            return
        if not self.passcode:
            raise UsageError(
                f"at {self.host} other machines can reach the viewer, and it has no passcode",
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
