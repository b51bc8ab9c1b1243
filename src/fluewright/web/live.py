"""Live sound from a device's microphone, and news of the bench to every device that looks at it."""

import asyncio
import contextlib
import json
import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from starlette.websockets import WebSocket, WebSocketDisconnect

from fluewright.errors import FluewrightError, InputError
from fluewright.listening.notes import HeardNote
from fluewright.listening.streams import Listener
from fluewright.web.bench_room import BenchRoom
from fluewright.web.request_json import read_json

__all__ = ["Hall", "bench_socket"]

_LONGEST_FRAME = 262_144  # bytes
_SLOWEST_HZ, _FASTEST_HZ = 16_000.0, 192_000.0
# A device that hears nothing for three of these knows that its line is dead, though nobody closed it.
_BEAT_S = 5.0


@dataclass(frozen=True)
class Pitch:
    """What sounds now; the next one makes up for one that was left out.

    Attributes
    ----------
    level_db : float
        Of full scale.
    hz : float or None
        None where nothing is clear of the background.
    fingering : int or None
        The nearest one; None where it is none of the notes.
    cents : float or None
        From that note's target.
    """

    level_db: float
    hz: float | None = None
    fingering: int | None = None
    cents: float | None = None


News = Pitch | dict[str, Any]
"""What a page is told: a pitch, or a word of its own with what belongs to it."""


class _Guest(asyncio.Queue[News]):
    """The news that one device still has to be sent."""

    def __init__(self) -> None:
        super().__init__(maxsize=64)

    def tell(self, news: News) -> None:
        """Put news in; where there is no room every pitch goes, then the oldest news, which a look makes up."""
        if not self.full():
            self.put_nowait(news)
            return
        kept = []
        while not self.empty():
            kept.append(self.get_nowait())
        kept = [one for one in kept if not isinstance(one, Pitch)]
        for one in [*kept, news][-self.maxsize :]:
            self.put_nowait(one)


@dataclass
class Hall:
    """All benches that somebody looks at, the devices at each, and the one that gives its sound."""

    rooms: dict[str, BenchRoom] = field(default_factory=dict)
    guests: dict[str, set[_Guest]] = field(default_factory=dict)
    players: dict[str, _Guest] = field(default_factory=dict)

    def tell(self, serial: str, news: News) -> None:
        """Send news to every device at a bench; a device that cannot keep up loses the oldest pitch, never a note."""
        for guest in self.guests.get(serial, ()):
            guest.tell(news)

    def tell_all(self, serial: str, news: Iterable[News]) -> None:
        """Send news in order to every device at a bench."""
        for item in news:
            self.tell(serial, item)

    def plays(self, serial: str, guest: _Guest) -> None:
        """Let one device give the sound of a bench: with two every playing would count twice."""
        before = self.players.get(serial)
        if before is not None and before is not guest:
            before.tell({"over": "Another device listens for this bench now. Press Listen to listen here again."})
        self.players[serial] = guest

    def leaves(self, serial: str, guest: _Guest) -> None:
        """Forget a device that has gone."""
        self.guests.get(serial, set()).discard(guest)
        if self.players.get(serial) is guest:
            del self.players[serial]


async def bench_socket(socket: WebSocket, hall: Hall, room: BenchRoom) -> None:
    """Serve one device at a bench: news out; from the device first a JSON header, then raw float32 frames."""
    await socket.accept()
    guest = _Guest()
    hall.guests.setdefault(room.serial, set()).add(guest)

    async def out() -> None:
        while True:
            try:
                news = await asyncio.wait_for(guest.get(), _BEAT_S)
            except TimeoutError:
                news = {"beat": True}
            said = {"now": asdict(news)} if isinstance(news, Pitch) else news
            await socket.send_text(json.dumps(said, allow_nan=False))

    sender = asyncio.create_task(out())
    try:
        await _hear(socket, hall, room, guest)
    except WebSocketDisconnect:
        pass
    finally:
        hall.leaves(room.serial, guest)
        sender.cancel()
        with contextlib.suppress(asyncio.CancelledError, Exception):
            await sender


async def _hear(socket: WebSocket, hall: Hall, room: BenchRoom, guest: _Guest) -> None:
    listener: Listener | None = None

    while True:
        message = await socket.receive()
        gone = message["type"] == "websocket.disconnect"
        text, data = message.get("text"), message.get("bytes")
        if (gone or text is not None) and listener is not None:
            # A note that has ended but was not given out yet would be lost with the listener.
            hall.tell_all(room.serial, await asyncio.to_thread(_rest, listener, room))
            listener = None
        if gone:
            return
        if text is not None:
            listener, fault = await asyncio.to_thread(_begin, text)
            if fault:
                guest.tell({"fault": fault})
            elif listener is None:
                # Every frame that was sent before has been heard by now: the trial may end.
                guest.tell({"stopped": True})
            if listener is not None:
                hall.plays(room.serial, guest)
        elif data is not None and listener is not None:
            if hall.players.get(room.serial) is not guest:
                listener = None
                continue
            if len(data) > _LONGEST_FRAME or len(data) % 4:
                guest.tell({"fault": "a sound frame had an impossible length; open the page again"})
                listener = None
                continue
            samples = np.frombuffer(data, "<f4").astype(np.float64)
            if not np.isfinite(samples).all():
                samples = np.nan_to_num(samples, nan=0.0, posinf=0.0, neginf=0.0)
            hall.tell_all(room.serial, await asyncio.to_thread(_listen, listener, samples, room))


def _begin(text: str) -> tuple[Listener | None, str]:
    """Return a listener for a header and "", None when it stops the sound, None and what is wrong with it."""
    try:
        header = read_json(text)
    except InputError:
        header = None
    rate = header.get("rate_hz", 0.0) if isinstance(header, dict) else None
    if isinstance(rate, bool) or not isinstance(rate, int | float):
        return None, "the page sent no sound header; open it again"
    if header.get("stop"):
        return None, ""
    if not _SLOWEST_HZ <= rate <= _FASTEST_HZ:
        return None, (
            f"the microphone gives {rate:g} samples a second; {_SLOWEST_HZ:g} to {_FASTEST_HZ:g} can be used: choose "
            "another input in the system's sound settings"
        )
    return Listener(rate), ""


def _rest(listener: Listener, room: BenchRoom) -> list[News]:
    """Take the notes that a listener still holds back."""
    return _ticks(listener.finish(), room)


def _ticks(notes: Iterable[HeardNote], room: BenchRoom) -> list[News]:
    news: list[News] = []
    for note in notes:
        try:
            fingering = room.hear(note)
        except FluewrightError as error:
            news.append({"fault": str(error)})
            continue
        if fingering is not None:
            news.append({"ticked": fingering, "hz": round(note.frequency_hz, 3)})
    return news


def _listen(listener: Listener, samples: np.ndarray[Any, Any], room: BenchRoom) -> list[News]:
    """Take a frame; return notes that count, and the pitch that sounds."""
    news = _ticks(listener.push(samples), room)
    now = listener.now
    level_db = round(now.level_db if math.isfinite(now.level_db) else -120.0, 1)
    if not math.isfinite(now.pitch_hz):
        return [*news, Pitch(level_db)]
    hz = round(now.pitch_hz, 2)
    try:
        found = room.nearest(now.pitch_hz)
    except FluewrightError as error:
        return [*news, {"fault": str(error)}]
    if found is None:
        return [*news, Pitch(level_db, hz)]
    return [*news, Pitch(level_db, hz, found[0], round(found[1], 1))]
