"""Sending one message over HTTP: to the address that was looked up and checked, redirects not followed."""

from __future__ import annotations

import http.client
import ipaddress
import socket
import ssl
from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urlsplit

TIMEOUT_S = 10.0
GONE = 410
NAT64 = ipaddress.IPv6Network("64:ff9b::/96")  # RFC 6052 section 2.1


class AddressError(ValueError):
    """The address may not be called; the text says why."""


@dataclass(frozen=True, slots=True)
class Posted:
    """status 0: there was no answer. error: empty where the answer was a 2xx."""

    status: int
    error: str = ""


def post(url: str, body: bytes, headers: Mapping[str, str], *, private: bool, timeout_s: float = TIMEOUT_S) -> Posted:
    """POST once. ``private``: whether loopback, link-local and private addresses may be called."""
    try:
        with _Call(url, private, timeout_s) as connection:
            parts = urlsplit(url)
            target = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
            connection.request("POST", target, body, {"Content-Type": "application/json", **headers})
            status = connection.getresponse().status
    except (AddressError, OSError, http.client.HTTPException) as error:
        return Posted(0, f"{type(error).__name__}: {error}"[:300])
    return Posted(status) if 200 <= status < 300 else Posted(status, f"answered {status}")


def checked_address(host: str, port: int, private: bool) -> str:
    """The first address of a host. Raises AddressError where any of them is not public, OSError where none is known."""
    found = [str(row[4][0]) for row in socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)]
    for one in found:
        if not private and not is_public(one.partition("%")[0]):
            raise AddressError(f"{host} is at {one}, which is not a public address")
    return found[0]


def is_public(text: str) -> bool:
    """Whether an address, and the IPv4 address that it carries where it does, is one of the public Internet."""
    address: ipaddress.IPv4Address | ipaddress.IPv6Address = ipaddress.ip_address(text)
    if isinstance(address, ipaddress.IPv6Address):
        carried = address.ipv4_mapped or address.sixtofour
        if address in NAT64:
            carried = ipaddress.IPv4Address(int(address) & 0xFFFF_FFFF)
        address = carried or address
    return address.is_global and not address.is_multicast


class _Call:
    """A connection to the very address that was checked: a name that changes its mind meanwhile changes nothing."""

    def __init__(self, url: str, private: bool, timeout_s: float) -> None:
        parts = urlsplit(url)
        self._host, self._secure = parts.hostname or "", parts.scheme == "https"
        self._port = parts.port or (443 if self._secure else 80)
        self._private, self._timeout_s = private, timeout_s
        self._connection: http.client.HTTPConnection | None = None

    def __enter__(self) -> http.client.HTTPConnection:
        address = checked_address(self._host, self._port, self._private)
        connection = http.client.HTTPConnection(self._host, self._port, timeout=self._timeout_s)
        sock = socket.create_connection((address, self._port), self._timeout_s)
        if self._secure:
            try:
                sock = ssl.create_default_context().wrap_socket(sock, server_hostname=self._host)
            except OSError:
                sock.close()
                raise
        connection.sock = sock
        self._connection = connection
        return connection

    def __exit__(self, *_: object) -> None:
        if self._connection is not None:
            self._connection.close()
