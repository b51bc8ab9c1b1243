"""The bench's pages: instruments to choose from or begin, one instrument on the bench, its certificate."""

import asyncio
import tempfile
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route, WebSocketRoute
from starlette.websockets import WebSocket

from fluewright.errors import FluewrightError, InputError
from fluewright.ledger import PieceState
from fluewright.shop.history import find_pieces
from fluewright.shop.models import list_models
from fluewright.shop.pieces import begin_piece, serial_prefix
from fluewright.shop.recordings import recording_is_kept, recording_path, store_recording
from fluewright.shop.sitting import take_of_recording
from fluewright.web.answers import (
    Page,
    body,
    called,
    number,
    page_or_missing,
    plain,
    received,
    sentence,
    sizes,
    theme,
    words,
)  # fmt: skip
from fluewright.web.app_state import AppState
from fluewright.web.bench_room import BenchRoom
from fluewright.web.live import bench_socket
from fluewright.web.pages import Pages

__all__ = ["SOUND_KINDS", "routes"]

_ON_THE_BENCH = (PieceState.PLANNED, PieceState.IN_WORK, PieceState.VOICED)
SOUND_KINDS = (".wav", ".flac", ".ogg", ".mp3")


def routes(state: AppState, page: Page) -> list[BaseRoute]:
    """Return the bench's pages and what they ask for."""
    pages = _BenchPages(state, page)
    return [
        Route("/bench", page_or_missing(pages.choose, page), methods=["GET"]),
        Route("/bench/{serial}", page_or_missing(pages.bench, page), methods=["GET"]),
        Route("/api/bench", plain(pages.begin), methods=["POST"]),
        Route("/api/bench/{serial}", plain(pages.look), methods=["GET"]),
        Route("/api/bench/{serial}/certificate", plain(pages.certificate), methods=["POST"]),
        Route("/api/bench/{serial}/recording", plain(pages.recording), methods=["POST"]),
        Route("/api/bench/{serial}/{what}", plain(pages.act), methods=["POST"]),
        WebSocketRoute("/live/{serial}", pages.live),
    ]


class _BenchPages(Pages):
    """The handlers; each gives the work to a thread."""

    async def _room(self, serial: str) -> BenchRoom:
        return await asyncio.to_thread(self.state.room, serial)

    async def choose(self, request: Request) -> Response:
        pieces = await asyncio.to_thread(find_pieces, self.state.ledger)
        # What is being worked on comes first.
        pieces.sort(key=lambda p: p.piece.state not in _ON_THE_BENCH)
        models = await asyncio.to_thread(list_models, self.state.ledger)
        offered = [(m.name, m.model.model.description, serial_prefix(m.model)) for m in models if m.model is not None]
        return self.page("benches.html", pieces=pieces, models=offered)

    async def bench(self, request: Request) -> Response:
        room = await self._room(request.path_params["serial"])
        return self.page("bench.html", serial=room.serial, model=room.model_name)

    async def begin(self, request: Request) -> Response:
        given = await body(request)
        work = partial(
            begin_piece, self.state.ledger, words(given.get("model"), "model", 60),
            prefix=words(given.get("prefix"), "serial begins with", 8), sizes=sizes(given.get("sizes")),
            material=words(given.get("material"), "material"), lot=words(given.get("lot"), "lot"),
        )  # fmt: skip
        return JSONResponse({"serial": await asyncio.to_thread(work)})

    async def look(self, request: Request) -> Response:
        room = await self._room(request.path_params["serial"])
        return JSONResponse(await asyncio.to_thread(room.state, theme(request)))

    async def act(self, request: Request) -> Response:
        """One touch at the bench; everybody at it is told to look again."""
        room = await self._room(request.path_params["serial"])
        given = await body(request)
        what = request.path_params["what"]
        works = {
            "finish": self._finish, "drop": self._drop, "throw-away": self._throw_away,
            "conditions": self._set_conditions, "cut": self._cut, "state": self._set_state,
        }  # fmt: skip
        if what not in works:
            raise InputError(f"{what}: nothing of that name can be done at the bench")
        warnings = await asyncio.to_thread(works[what], room, given)
        self.state.hall.tell(room.serial, {"changed": what})
        return JSONResponse({"warnings": [sentence(w) for w in warnings]})

    @staticmethod
    def _finish(room: BenchRoom, given: dict[str, Any]) -> list[str]:
        return room.finish_trial()

    @staticmethod
    def _drop(room: BenchRoom, given: dict[str, Any]) -> list[str]:
        index = given.get("fingering")
        if not isinstance(index, int):
            raise InputError("drop: name the note by its number")
        room.drop(index)
        return []

    @staticmethod
    def _throw_away(room: BenchRoom, given: dict[str, Any]) -> list[str]:
        room.throw_away()
        return []

    @staticmethod
    def _set_conditions(room: BenchRoom, given: dict[str, Any]) -> list[str]:
        room.set_conditions(
            number(given.get("temperature_c"), "temperature"), number(given.get("breath_pa"), "breath")
        )  # fmt: skip
        return []

    @staticmethod
    def _cut(room: BenchRoom, given: dict[str, Any]) -> list[str]:
        after = number(given.get("after_mm"), "size after the cut")
        if after is None:
            raise InputError("write the size that you gauged after the cut, in mm", field="after_mm")
        tool = words(given.get("tool"), "tool") or "by hand"
        reason = words(given.get("reason"), "reason") or "as advised"
        return room.log_cut(words(given.get("key"), "size"), after, tool, reason)

    @staticmethod
    def _set_state(room: BenchRoom, given: dict[str, Any]) -> list[str]:
        room.set_state(words(given.get("state"), "state", 40), words(given.get("reason"), "reason"))
        return []

    async def recording(self, request: Request) -> Response:
        room = await self._room(request.path_params["serial"])
        with tempfile.TemporaryDirectory() as folder:
            path, name = await received(request, Path(folder), SOUND_KINDS)
            warnings = await asyncio.to_thread(_judge_file, room, path, name, self.state.folder)
        self.state.hall.tell(room.serial, {"changed": "recording"})
        return JSONResponse({"warnings": [sentence(w) for w in warnings]})

    async def certificate(self, request: Request) -> Response:
        room = await self._room(request.path_params["serial"])
        with tempfile.TemporaryDirectory() as folder:
            pdf = await asyncio.to_thread(room.certificate, Path(folder))
        name = f'attachment; filename="{quote(room.serial)}-certificate.pdf"'
        return Response(pdf, media_type="application/pdf", headers={"content-disposition": name})

    async def live(self, socket: WebSocket) -> None:
        try:
            room = await self._room(socket.path_params["serial"])
        except FluewrightError:
            await socket.close(1008)
            return
        await bench_socket(socket, self.state.hall, room)


def _judge_file(room: BenchRoom, path: Path, name: str, folder: Path) -> list[str]:
    """Judge and log a recording; the sound is on the disk before the ledger names it."""
    with called(path, name):
        take = take_of_recording(path, name=name)
    new = store_recording(folder, path, take.sha256)
    try:
        warnings = room.take_recording(take)
    except FluewrightError:
        if new:
            recording_path(folder, take.sha256).unlink(missing_ok=True)
        raise
    recording_is_kept(folder, take.sha256)
    return warnings
