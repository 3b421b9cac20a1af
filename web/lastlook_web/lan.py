"""The addresses at which other machines of the same network can reach this one."""

from __future__ import annotations

import ipaddress
import socket
import struct
from collections.abc import Iterable

_SIOCGIFADDR = 0x8915  # Linux: the IPv4 address of an interface
_PRIVATE = tuple(ipaddress.ip_network(net) for net in ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16"))  # RFC 1918


def addresses() -> tuple[str, ...]:
    """This machine's private IPv4 addresses (RFC 1918), that of the way out first. Nothing is sent to find them."""
    return private([_way_out(), *_of_interfaces(), *_of_name()])


def private(found: Iterable[str]) -> tuple[str, ...]:
    """Those of a private network, each once, in the order given."""
    return tuple(dict.fromkeys(one for one in found if is_private(one)))


def is_private(address: str) -> bool:
    """Whether an address is one of RFC 1918: reachable in its own network, never from the internet."""
    try:
        given = ipaddress.ip_address(address)
    except ValueError:
        return False
    return given.version == 4 and any(given in net for net in _PRIVATE)


def _way_out() -> str:
    """The address that a packet to elsewhere would carry. Connecting a datagram socket sends none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        try:
            asking.connect(("192.0.2.1", 9))  # RFC 5737: an address for documents, nobody's
            return str(asking.getsockname()[0])
        except OSError:
            return ""


def _of_interfaces() -> list[str]:
    try:
        import fcntl
    except ImportError:
        return []
    found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        for _, name in socket.if_nameindex():
            wanted = struct.pack("256s", name.encode()[:15])
            try:
                answer = fcntl.ioctl(asking.fileno(), _SIOCGIFADDR, wanted)
            except OSError:
                continue  # no IPv4 address there
            found.append(socket.inet_ntoa(answer[20:24]))
    return found


def _of_name() -> list[str]:
    try:
        return [str(each[4][0]) for each in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)]
    except OSError:
        return []
