"""Opening the page from a phone on the home network: off unless the maker starts it so, and then by key only.

A shared page listens on this machine's address at home instead of on 127.0.0.1, so other machines there can reach it.
It opens for whoever has the address of a work (a random token) or a key; a key works once, for ten minutes. What goes
over the network is not encrypted: a home network that is trusted is a condition, and the page says so.
"""

from __future__ import annotations

import contextlib
import io
import ipaddress
import os
import secrets
import socket
import threading
import time
from dataclasses import dataclass, field

import segno

ADDRESS, FIRST_KEY = "TRUEPEEL_SHARE_ADDRESS", "TRUEPEEL_SHARE_KEY"
"""What the server tells the page it starts: where it listens, and the key for the maker's own browser."""

KEY_SECONDS = 600.0
CLOSED = (
    "This page is shared by key, and a key works once. On the machine it runs on, open the step “Photo” and let it "
    "show a new code for the phone."
)
NO_COOKIES = (
    "This browser keeps no cookies, and a shared page knows by one that you may come in. Allow cookies for this "
    "address in the browser's settings, or open the address in another browser."
)
# RFC 5737: an address that belongs to nobody; asking for the way there sends nothing.
NOWHERE = ("192.0.2.1", 9)


@dataclass
class Keys:
    """Keys given out: each opens one work ("" a new one), once, for ``KEY_SECONDS``."""

    given: dict[str, tuple[str, float]] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def give(self, token: str, now: float | None = None) -> str:
        key = secrets.token_urlsafe(18)
        self.put(key, token, now)
        return key

    def put(self, key: str, token: str, now: float | None = None) -> None:
        now = time.monotonic() if now is None else now
        with self.lock:
            self.given = {k: (t, end) for k, (t, end) in self.given.items() if end > now}
            self.given[key] = (token, now + KEY_SECONDS)

    def redeem(self, key: str, now: float | None = None) -> str | None:
        """The work that the key opens, the key being spent by that; None where it opens none."""
        now = time.monotonic() if now is None else now
        with self.lock:
            token, end = self.given.pop(key, ("", 0.0))
        return token if end > now else None


keys = Keys()
with contextlib.suppress(KeyError):
    keys.put(os.environ[FIRST_KEY], "")


def address() -> str | None:
    """Where a shared page is found from other machines, or None where it is not shared."""
    return os.environ.get(ADDRESS) or None


def home_address() -> str | None:
    """This machine's address on the home network, or None where it has none."""
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(NOWHERE)
        found = ipaddress.ip_address(probe.getsockname()[0])
        if found.is_private and not found.is_loopback and not found.is_unspecified:
            return str(found)
    return None


def code_png(text: str) -> bytes:
    """The text as a QR code (ISO/IEC 18004), black on white with its quiet zone."""
    out = io.BytesIO()
    segno.make(text, error="m", micro=False).save(out, kind="png", scale=8, border=4)
    return out.getvalue()
