"""The bench's pages: instruments to choose from or begin, one instrument on the bench, its certificate."""

import asyncio
import hashlib
import tempfile
from collections.abc import Sequence
from functools import partial
from pathlib import Path

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route, WebSocketRoute
from starlette.websockets import WebSocket

from fluewright.errors import FluewrightError, InputError
from fluewright.ledger import PieceState, open_ledger
from fluewright.listening.streams import hear_file
from fluewright.shop import begin_piece, found_pieces
from fluewright.web import desk
from fluewright.web.answers import Page, body, called, number, page_or_missing, plain, received, sizes, theme, words
from fluewright.web.bench_room import BenchRoom, Recorded
from fluewright.web.live import bench_socket
from fluewright.web.open_shop import Shop

__all__ = ["routes"]

_ON_THE_BENCH = {str(s) for s in (PieceState.PLANNED, PieceState.IN_WORK, PieceState.VOICED)}
SOUND_KINDS = (".wav", ".flac", ".ogg", ".mp3")


def _judge_file(room: BenchRoom, path: Path, name: str) -> list[str]:
    with called(path, name):
        heard = hear_file(path)
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    advice = room.take_recording(heard.hearing.notes, Recorded(name, digest))
    return _sentences([*heard.about.warnings, *heard.hearing.warnings, *advice.warnings])


def _sentences(warnings: Sequence[str]) -> list[str]:
    """Return warnings as sentences; which trial is meant needs no word where one was just made."""
    plain_words = [w.removeprefix("trial 1: ").strip() for w in warnings]
    return [f"{w[:1].upper()}{w[1:].rstrip('.')}." for w in plain_words if w]


def routes(shop: Shop, page: Page) -> list[BaseRoute]:
    """Return the bench's pages and what they ask for."""

    async def bench_list(request: Request) -> Response:
        pieces = await asyncio.to_thread(found_pieces, shop.ledger)
        # What is being worked on comes first.
        pieces.sort(key=lambda p: p["state"] not in _ON_THE_BENCH)
        models = await asyncio.to_thread(desk.model_list, shop.ledger)
        return page("benches.html", pieces=pieces, models=[(m["name"], m["model"].model.description) for m in models])

    async def bench_page(request: Request) -> Response:
        room = await asyncio.to_thread(shop.room, request.path_params["serial"])
        return page("bench.html", serial=room.serial, model=room.model.model.name)

    async def begin(request: Request) -> Response:
        given = await body(request)
        name = words(given.get("model"), "model", 60)
        with open_ledger(shop.ledger) as book:
            known = name in {m.name for m in book.models()}
        if not known:
            model = await asyncio.to_thread(desk.read, shop.ledger, name)
            await asyncio.to_thread(desk.save_version, shop.ledger, model, name)
        work = partial(
            begin_piece, shop.ledger, name, prefix=words(given.get("prefix"), "serial begins with", 8),
            sizes=sizes(given.get("sizes")), material=words(given.get("material"), "material"),
            lot=words(given.get("lot"), "lot"),
        )  # fmt: skip
        return JSONResponse({"serial": await asyncio.to_thread(work)})

    async def state(request: Request) -> Response:
        room = await asyncio.to_thread(shop.room, request.path_params["serial"])
        return JSONResponse(await asyncio.to_thread(room.state, theme(request)))

    async def act(request: Request) -> Response:
        """One touch at the bench; everybody at it is told to look again."""
        room = await asyncio.to_thread(shop.room, request.path_params["serial"])
        given = await body(request)
        what = request.path_params["what"]
        warnings: list[str] = []
        if what == "finish":
            warnings = _sentences((await asyncio.to_thread(room.finish_trial)).warnings)
        elif what == "drop":
            index = given.get("fingering")
            if not isinstance(index, int):
                raise InputError("drop: name the note by its number")
            await asyncio.to_thread(room.drop, index)
        elif what == "throw-away":
            await asyncio.to_thread(room.throw_away)
        elif what == "conditions":
            room.set_conditions(
                number(given.get("temperature_c"), "temperature"), number(given.get("breath_pa"), "breath")
            )
        elif what == "cut":
            after = number(given.get("after_mm"), "size after the cut")
            if after is None:
                raise InputError("write the size that you gauged after the cut, in mm")
            tool = words(given.get("tool"), "tool") or "by hand"
            reason = words(given.get("reason"), "reason") or "as advised"
            warnings = await asyncio.to_thread(room.log_cut, words(given.get("key"), "size"), after, tool, reason)
        elif what == "state":
            state_now, reason = words(given.get("state"), "state", 40), words(given.get("reason"), "reason")
            await asyncio.to_thread(room.set_state, state_now, reason)
        else:
            raise InputError(f"{what}: nothing of that name can be done at the bench")
        shop.hall.tell(room.serial, {"changed": what})
        return JSONResponse({"warnings": warnings})

    async def recording(request: Request) -> Response:
        room = await asyncio.to_thread(shop.room, request.path_params["serial"])
        with tempfile.TemporaryDirectory() as folder:
            path, name = await received(request, Path(folder), SOUND_KINDS)
            warnings = await asyncio.to_thread(_judge_file, room, path, name)
        shop.hall.tell(room.serial, {"changed": "recording"})
        return JSONResponse({"warnings": warnings})

    async def certificate(request: Request) -> Response:
        room = await asyncio.to_thread(shop.room, request.path_params["serial"])
        with tempfile.TemporaryDirectory() as folder:
            pdf = await asyncio.to_thread(room.certificate, Path(folder))
        name = f'attachment; filename="{room.serial}-certificate.pdf"'
        return Response(pdf, media_type="application/pdf", headers={"content-disposition": name})

    async def live(socket: WebSocket) -> None:
        try:
            room = await asyncio.to_thread(shop.room, socket.path_params["serial"])
        except FluewrightError:
            await socket.close(1008)
            return
        await bench_socket(socket, shop.hall, room)

    return [
        Route("/bench", bench_list, methods=["GET"]),
        Route("/bench/{serial}", page_or_missing(bench_page, page), methods=["GET"]),
        Route("/api/bench", plain(begin), methods=["POST"]),
        Route("/api/bench/{serial}", plain(state), methods=["GET"]),
        Route("/api/bench/{serial}/certificate", plain(certificate), methods=["GET"]),
        Route("/api/bench/{serial}/recording", plain(recording), methods=["POST"]),
        Route("/api/bench/{serial}/{what}", plain(act), methods=["POST"]),
        WebSocketRoute("/live/{serial}", live),
    ]
