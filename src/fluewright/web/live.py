"""Live sound from a device's microphone, and news of the bench to every device that looks at it."""

import asyncio
import contextlib
import json
import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from starlette.websockets import WebSocket, WebSocketDisconnect

from fluewright.errors import FluewrightError
from fluewright.listening.streams import Listener
from fluewright.web.bench_room import BenchRoom

__all__ = ["Hall", "bench_socket"]

_LONGEST_FRAME = 262_144  # bytes
_SLOWEST_HZ, _FASTEST_HZ = 16_000.0, 192_000.0


@dataclass
class Hall:
    """All benches that somebody looks at, and their listeners."""

    rooms: dict[str, BenchRoom] = field(default_factory=dict)
    guests: dict[str, set[asyncio.Queue[str]]] = field(default_factory=dict)

    def tell(self, serial: str, news: dict[str, Any]) -> None:
        """Send news to every device at a bench; a device that cannot keep up loses the oldest pitch, never a note."""
        text = json.dumps(news, allow_nan=False)
        for queue in self.guests.get(serial, ()):
            if queue.full():
                self._make_room(queue, text)
            else:
                queue.put_nowait(text)

    @staticmethod
    def _make_room(queue: asyncio.Queue[str], text: str) -> None:
        kept = []
        while not queue.empty():
            kept.append(queue.get_nowait())
        kept = [t for t in kept if not t.startswith('{"now"')]
        for t in [*kept, text][-queue.maxsize :]:
            queue.put_nowait(t)


async def bench_socket(socket: WebSocket, hall: Hall, room: BenchRoom) -> None:
    """Serve one device at a bench: news out; from the device first a JSON header, then raw float32 frames."""
    await socket.accept()
    queue: asyncio.Queue[str] = asyncio.Queue(maxsize=64)
    hall.guests.setdefault(room.serial, set()).add(queue)

    async def out() -> None:
        while True:
            await socket.send_text(await queue.get())

    sender = asyncio.create_task(out())
    try:
        await _hear(socket, hall, room, queue)
    except WebSocketDisconnect:
        pass
    finally:
        hall.guests[room.serial].discard(queue)
        sender.cancel()
        with contextlib.suppress(asyncio.CancelledError, Exception):
            await sender


async def _hear(socket: WebSocket, hall: Hall, room: BenchRoom, mine: "asyncio.Queue[str]") -> None:
    listener: Listener | None = None
    while True:
        message = await socket.receive()
        if message["type"] == "websocket.disconnect":
            return
        text, data = message.get("text"), message.get("bytes")
        if text is not None:
            listener = _begin(text, mine)
        elif data is not None and listener is not None:
            if len(data) > _LONGEST_FRAME or len(data) % 4:
                mine.put_nowait(json.dumps({"fault": "a sound frame had an impossible length; open the page again"}))
                listener = None
                continue
            samples = np.frombuffer(data, "<f4").astype(np.float64)
            if not np.isfinite(samples).all():
                samples = np.nan_to_num(samples, nan=0.0, posinf=0.0, neginf=0.0)
            news = await asyncio.to_thread(_listen, listener, samples, room)
            for item in news:
                hall.tell(room.serial, item)


def _begin(text: str, mine: "asyncio.Queue[str]") -> Listener | None:
    """Return a listener for a header, None when it stops the sound or is none."""
    try:
        header = json.loads(text)
        rate = float(header.get("rate_hz", 0.0))
    except (ValueError, TypeError, AttributeError):
        mine.put_nowait(json.dumps({"fault": "the page sent no sound header; open it again"}))
        return None
    if header.get("stop"):
        return None
    if not _SLOWEST_HZ <= rate <= _FASTEST_HZ:
        mine.put_nowait(
            json.dumps(
                {
                    "fault": f"the microphone gives {rate:g} samples a second; {_SLOWEST_HZ:g} to {_FASTEST_HZ:g} can "
                    "be used: choose another input in the system's sound settings"
                }
            )
        )
        return None
    return Listener(rate)


def _listen(listener: Listener, samples: np.ndarray[Any, Any], room: BenchRoom) -> list[dict[str, Any]]:
    """Take a frame; return the pitch that sounds, and notes that count."""
    news: list[dict[str, Any]] = []
    for note in listener.push(samples):
        try:
            fingering = room.hear(note)
        except FluewrightError as error:
            news.append({"fault": str(error)})
            continue
        if fingering is not None:
            news.append({"ticked": fingering, "hz": round(note.frequency_hz, 3)})
    now = listener.now
    if math.isfinite(now.pitch_hz):
        found = room.nearest(now.pitch_hz)
        news.append(
            {
                "now": {
                    "hz": round(now.pitch_hz, 2),
                    "fingering": None if found is None else found[0],
                    "cents": None if found is None else round(found[1], 1),
                    "level_db": round(now.level_db, 1),
                }
            }
        )
    else:
        level = now.level_db if math.isfinite(now.level_db) else -120.0
        news.append({"now": {"hz": None, "fingering": None, "cents": None, "level_db": round(level, 1)}})
    return news
