"""Lets a phone or tablet of the shop in: a code that works once, then a session of its own that can be ended."""

import hashlib
import hmac
import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass, field

__all__ = ["CODE_SECONDS", "SESSION_SECONDS", "Device", "Pairing"]

CODE_SECONDS = 600
SESSION_SECONDS = 30 * 24 * 3600
# A finger may slip twice for nothing; then an address waits 5 s, 10 s, 20 s and so on: ten tries while a code lives.
_FREE_TRIES, _FIRST_WAIT_S, _LONGEST_WAIT_S = 3, 5.0, 900.0
_FORGOTTEN_S = 3600.0
_MOST_ADDRESSES = 4096
# Twenty addresses and more have to guess together to get here; the chance that one of them was right is 2 in a million.
_MOST_GUESSES = 200


@dataclass
class Device:
    """A device that was let in.

    Attributes
    ----------
    number : int
        By which the owner's page names it.
    name : str
        As it called itself when it was paired, or empty.
    address : str
        From where it was last seen.
    paired_s, seen_s : float
        When it was paired and when it last asked for something, by the clock of `Pairing`.
    """

    number: int
    name: str
    address: str
    paired_s: float
    seen_s: float


@dataclass
class Pairing:
    """The present code, the devices that were let in, and who guessed wrongly; kept in memory only.

    Attributes
    ----------
    clock : callable
        Seconds that only grow; replaced in tests.
    guesses : int
        Wrong codes that were tried since the present code was made.
    """

    clock: Callable[[], float] = time.monotonic
    guesses: int = 0
    _code: str = ""
    _made: float = 0.0
    _paired: int = 0
    # By the hash of the session's token: the token itself is the device's alone.
    _devices: dict[bytes, Device] = field(default_factory=dict)
    _wrong: dict[str, tuple[int, float]] = field(default_factory=dict)

    @property
    def spoiled(self) -> bool:
        """Tell whether the code was withdrawn because somebody guesses: only `begin_code` makes another."""
        return self.guesses >= _MOST_GUESSES

    def code(self) -> str:
        """Return the code that pairs the next device; a fresh one when the last was used or is too old.

        It is empty while the code is withdrawn.
        """
        if not self.spoiled and (not self._code or self.clock() - self._made > CODE_SECONDS):
            self.begin_code()
        return self._code

    def begin_code(self) -> None:
        """Make a new code in place of the present one, whatever was guessed before."""
        self._code, self._made, self.guesses = f"{secrets.randbelow(10**8):08d}", self.clock(), 0

    def wait_s(self, client: str) -> float:
        """Return how long an address has to wait before it may try a code, 0 when it may now."""
        count, last = self._wrong.get(client, (0, 0.0))
        if count < _FREE_TRIES:
            return 0.0
        # Past 20 doublings the longest wait holds in any case.
        wait = min(_FIRST_WAIT_S * 2.0 ** min(count - _FREE_TRIES, 20), _LONGEST_WAIT_S)
        return max(last + wait - self.clock(), 0.0)

    def pair(self, code: str, client: str, name: str = "") -> str | None:
        """Return a new session's token if the code is right; it then is used up. None when it is wrong or too late."""
        if self.wait_s(client) > 0.0:
            return None
        given = "".join(c for c in code if c.isascii() and c.isdigit())
        now = self.clock()
        if self._code and now - self._made <= CODE_SECONDS and hmac.compare_digest(given, self._code):
            self._code = ""
            self._wrong.pop(client, None)
            token = secrets.token_urlsafe(32)
            self._paired += 1
            self._devices[_digest(token)] = Device(self._paired, name, client, now, now)
            return token
        self._count_wrong(client, now)
        return None

    def _count_wrong(self, client: str, now: float) -> None:
        count, last = self._wrong.pop(client, (0, now))
        self._wrong[client] = (1 if now - last > _FORGOTTEN_S else count + 1, now)
        while len(self._wrong) > _MOST_ADDRESSES:
            del self._wrong[next(iter(self._wrong))]
        self.guesses += 1
        if self.spoiled:
            self._code = ""

    # --- who is in

    def known(self, token: str) -> bool:
        """Return whether a session's token was given out and still counts."""
        return self._device(token) is not None

    def seen(self, token: str, address: str) -> bool:
        """Return whether a session's token counts, and note from where and when its device asked."""
        device = self._device(token)
        if device is None:
            return False
        device.seen_s, device.address = self.clock(), address
        return True

    def _device(self, token: str) -> Device | None:
        key = _digest(token)
        device = self._devices.get(key)
        if device is not None and self.clock() - device.paired_s >= SESSION_SECONDS:
            del self._devices[key]
            return None
        return device

    def devices(self) -> list[Device]:
        """Return the devices that are let in, the one seen last first."""
        now = self.clock()
        self._devices = {k: d for k, d in self._devices.items() if now - d.paired_s < SESSION_SECONDS}
        return sorted(self._devices.values(), key=lambda d: (-d.seen_s, d.number))

    def addresses(self) -> set[str]:
        """Return the addresses from which the devices that are let in were last seen."""
        return {d.address for d in self._devices.values()}

    def end(self, number: int) -> bool:
        """Send one device away; return whether it was there."""
        before = len(self._devices)
        self._devices = {k: d for k, d in self._devices.items() if d.number != number}
        return len(self._devices) < before

    def end_all(self) -> None:
        """Send every paired device away."""
        self._devices.clear()
        self._code = ""


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode("utf-8", "replace")).digest()
