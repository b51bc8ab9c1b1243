"""Takes connections, so many of one address and so many of strangers, with room kept for paired devices and the owner.

A connection costs a descriptor of the system's few; whoever holds all of them locks everybody out, paired or not. So
each kind of guest has a room of its own, and where a room is full the address that holds most of it gives up its oldest
connection: who holds many loses one, who comes with one finds a place.
"""

import asyncio
import logging
import socket
import ssl
import time
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field

from fluewright.web.http_protocol import PatientHttp
from fluewright.web.rates import Rates

__all__ = ["HERE", "MOST_CONNECTIONS", "PAIRED", "STRANGERS", "Doors", "Room"]

_log = logging.getLogger(__name__)
_HANDSHAKE_S, _SHUTDOWN_S, _CLOSING_S = 10.0, 5.0, 10.0
_LOOK_EVERY_S = 1.0
_BACKLOG = 256


@dataclass(frozen=True)
class Room:
    """How many connections a kind of guest may hold, and how fast those of one address may come.

    Attributes
    ----------
    most, an_address : int
        All together, and from one address.
    a_second, burst : float
        New ones from one address.
    """

    most: int
    an_address: int
    a_second: float
    burst: float


HERE = Room(256, 256, 200.0, 400.0)
PAIRED = Room(192, 48, 50.0, 200.0)
STRANGERS = Room(96, 12, 10.0, 40.0)
MOST_CONNECTIONS = HERE.most + PAIRED.most + STRANGERS.most


@dataclass(eq=False)
class _Guest:
    """A connection that was taken."""

    sock: socket.socket
    address: str
    transport: asyncio.Transport | None = None
    closing_s: float | None = None

    @property
    def gone(self) -> bool:
        return self.sock.fileno() < 0

    def cut(self) -> None:
        """End it without waiting for the other end."""
        if self.transport is not None:
            self.transport.abort()
            return
        # In the middle of its opening: that fails at once then, and gives the descriptor back.
        with suppress(OSError):
            self.sock.shutdown(socket.SHUT_RDWR)


@dataclass
class Doors:
    """Everybody who is connected.

    Attributes
    ----------
    listener : socket
        Bound, not yet listening.
    protocol : callable
        Makes what reads a new connection.
    tls : ssl.SSLContext or None
    paired : callable
        Returns the addresses of the devices that are let in.
    here : tuple of str
        Addresses of this computer itself.
    """

    listener: socket.socket
    protocol: Callable[[], asyncio.Protocol]
    tls: ssl.SSLContext | None
    paired: Callable[[], set[str]]
    here: tuple[str, ...]
    _guests: list[_Guest] = field(default_factory=list)
    _opening: set[asyncio.Task[None]] = field(default_factory=set)
    _rates: dict[Room, Rates] = field(default_factory=dict)

    async def serve(self) -> None:
        """Take connections until cancelled."""
        self.listener.setblocking(False)
        self.listener.listen(_BACKLOG)
        watch = asyncio.create_task(self._watch())
        try:
            await self._accept()
        finally:
            watch.cancel()
            self.listener.close()

    async def _accept(self) -> None:
        loop = asyncio.get_running_loop()
        while True:
            try:
                sock, peer = await loop.sock_accept(self.listener)
            except OSError as error:
                # The other end has gone again, or the system has no descriptor left: the next may come later.
                _log.warning("a connection could not be taken (%s)", error.strerror)
                await asyncio.sleep(0.5)
                continue
            address = str(peer[0])
            if self._may_enter(address):
                guest = _Guest(sock, address)
                self._guests.append(guest)
                opening = asyncio.create_task(self._open(guest))
                self._opening.add(opening)
                opening.add_done_callback(self._opening.discard)
            else:
                sock.close()
            # Connections that wait in a row must not keep everything else waiting.
            await asyncio.sleep(0)

    def _may_enter(self, address: str) -> bool:
        """Tell whether a connection may be taken now; others are cut until it has its place."""
        paired = self.paired()
        room = self._room(address, paired)
        if not self._rates.setdefault(room, Rates(room.a_second, room.burst)).may(address):
            return False
        self._guests = [g for g in self._guests if not g.gone]
        held = [g for g in self._guests if self._room(g.address, paired) is room]
        counts = Counter(g.address for g in held)
        while held and (counts[address] >= room.an_address or len(held) >= room.most):
            greediest = address if counts[address] >= room.an_address else counts.most_common(1)[0][0]
            oldest = next(g for g in held if g.address == greediest)
            oldest.cut()
            held.remove(oldest)
            self._guests.remove(oldest)
            counts[greediest] -= 1
        return True

    def _room(self, address: str, paired: set[str]) -> Room:
        if address in self.here:
            return HERE
        return PAIRED if address in paired else STRANGERS

    async def _open(self, guest: _Guest) -> None:
        limits = {"ssl_handshake_timeout": _HANDSHAKE_S, "ssl_shutdown_timeout": _SHUTDOWN_S} if self.tls else {}
        try:
            transport, _ = await asyncio.get_running_loop().connect_accepted_socket(
                self.protocol, guest.sock, ssl=self.tls, **limits
            )
        except OSError:
            # No TLS, or it went away in the middle of it.
            guest.sock.close()
        else:
            guest.transport = transport

    async def _watch(self) -> None:
        """Cut who keeps us waiting."""
        while True:
            await asyncio.sleep(_LOOK_EVERY_S)
            now, paired = time.monotonic(), self.paired()
            for guest in [g for g in self._guests if not g.gone and g.transport is not None]:
                assert guest.transport is not None
                protocol = guest.transport.get_protocol()
                if guest.transport.is_closing():
                    guest.closing_s = now if guest.closing_s is None else guest.closing_s
                    if now - guest.closing_s > _CLOSING_S:
                        guest.cut()
                elif isinstance(protocol, PatientHttp) and protocol.overdue(
                    stranger=self._room(guest.address, paired) is STRANGERS
                ):
                    guest.cut()
            self._guests = [g for g in self._guests if not g.gone]
