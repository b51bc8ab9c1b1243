"""Lets a phone or tablet of the shop in: a code that works once, then a session of its own."""

import hmac
import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass, field

__all__ = ["CODE_SECONDS", "SESSION_SECONDS", "Pairing"]

CODE_SECONDS = 600
SESSION_SECONDS = 30 * 24 * 3600
_WRONG_A_CLIENT, _WRONG_IN_ALL, _WRONG_WINDOW_S = 5, 15, 300.0


@dataclass
class Pairing:
    """The present code, the sessions that were given out, and who guessed wrongly; kept in memory only.

    Attributes
    ----------
    clock : callable
        Seconds that only grow; replaced in tests.
    """

    clock: Callable[[], float] = time.monotonic
    _code: str = ""
    _made: float = 0.0
    _sessions: dict[str, float] = field(default_factory=dict)
    _wrong: list[tuple[float, str]] = field(default_factory=list)

    def code(self) -> str:
        """Return the code that pairs the next device; a fresh one when the last was used or is too old."""
        now = self.clock()
        if not self._code or now - self._made > CODE_SECONDS:
            self._code = f"{secrets.randbelow(10**8):08d}"
            self._made = now
        return self._code

    def wait_s(self, client: str) -> float:
        """Return how long a client has to wait before it may try a code, 0 when it may now."""
        now = self.clock()
        self._wrong = [(at, who) for at, who in self._wrong if now - at < _WRONG_WINDOW_S]
        mine = [at for at, who in self._wrong if who == client]
        if len(mine) >= _WRONG_A_CLIENT:
            return _WRONG_WINDOW_S - (now - mine[-_WRONG_A_CLIENT])
        if len(self._wrong) >= _WRONG_IN_ALL:
            return _WRONG_WINDOW_S - (now - self._wrong[-_WRONG_IN_ALL][0])
        return 0.0

    def pair(self, code: str, client: str) -> str | None:
        """Return a new session's token if the code is right; it then is used up. None when it is wrong or too late."""
        if self.wait_s(client) > 0.0:
            return None
        given = "".join(c for c in code if c.isascii() and c.isdigit())
        now = self.clock()
        if self._code and now - self._made <= CODE_SECONDS and hmac.compare_digest(given, self._code):
            self._code = ""
            token = secrets.token_urlsafe(32)
            self._sessions[token] = now
            return token
        self._wrong.append((now, client))
        if len(self._wrong) >= _WRONG_IN_ALL:
            # Somebody is guessing: the code is worth nothing from here on.
            self._code = ""
        return None

    def known(self, token: str) -> bool:
        """Return whether a session's token was given out and still counts."""
        now = self.clock()
        self._sessions = {t: at for t, at in self._sessions.items() if now - at < SESSION_SECONDS}
        return any(hmac.compare_digest(token.encode(), t.encode()) for t in self._sessions)

    def end_all(self) -> None:
        """Send every paired device away."""
        self._sessions.clear()
        self._code = ""
