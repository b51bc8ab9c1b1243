"""The voicing pages: heads to choose from, one head's guided trial, what is wrong with it and what to do."""

import asyncio
import tempfile
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from fluewright.errors import InputError
from fluewright.instrument.files import model_text
from fluewright.ledger import AdjustmentMade, HeadTrialLogged, open_ledger
from fluewright.web.answers import Page, body, called, number, page_or_missing, plain, received, theme, width_mm, words
from fluewright.web.app_state import AppState
from fluewright.web.pages import Pages
from fluewright.web.pages_bench import SOUND_KINDS
from fluewright.web.section_view import section_view
from fluewright.web.voicing_room import VoicingRoom

__all__ = ["routes"]


def routes(state: AppState, page: Page) -> list[BaseRoute]:
    """Return the voicing pages and what they ask for."""
    pages = _VoicingPages(state, page)
    return [
        Route("/voicing", page_or_missing(pages.heads, page), methods=["GET"]),
        Route("/voicing/{serial}", page_or_missing(pages.head, page), methods=["GET"]),
        Route("/api/voicing/{serial}", plain(pages.look), methods=["GET"]),
        Route("/api/voicing/{serial}/advice", plain(pages.advice), methods=["POST"]),
        Route("/api/voicing/{serial}/section", plain(pages.section), methods=["GET"]),
        Route("/api/voicing/{serial}/as-built.toml", plain(pages.sheet), methods=["GET"]),
        Route("/api/voicing/{serial}/recording", plain(pages.take), methods=["POST"]),
        Route("/api/voicing/{serial}/breath-log", plain(pages.take_log), methods=["POST"]),
        Route("/api/voicing/{serial}/{what}", plain(pages.act), methods=["POST"]),
    ]


class _VoicingPages(Pages):
    """The handlers; each gives the work to a thread."""

    async def _room(self, request: Request) -> VoicingRoom:
        return await asyncio.to_thread(self.state.head, request.path_params["serial"])

    async def heads(self, request: Request) -> Response:
        with open_ledger(self.state.ledger) as book:
            pieces, events = book.instruments(), book.voicing()
        rows = []
        for piece in reversed(pieces):
            own = [e for e in events if e.serial == piece.serial]
            trials = [e for e in own if isinstance(e, HeadTrialLogged)]
            rows.append(
                {
                    "serial": piece.serial, "model": piece.model_name, "state": piece.state, "trials": len(trials),
                    "adjustments": sum(isinstance(e, AdjustmentMade) for e in own),
                    "good": bool(trials and trials[-1].good),
                }
            )  # fmt: skip
        return self.page("heads.html", rows=rows)

    async def head(self, request: Request) -> Response:
        room = await self._room(request)
        return self.page("voicing.html", serial=room.serial, model=room.model.model.name)

    async def look(self, request: Request) -> Response:
        room = await self._room(request)
        beside = request.query_params.get("beside", "")
        event = int(beside) if beside.isascii() and beside.isdigit() and len(beside) < 12 else None
        return JSONResponse(await asyncio.to_thread(room.state, theme(request), event))

    async def advice(self, request: Request) -> Response:
        room = await self._room(request)
        return JSONResponse(await asyncio.to_thread(room.advice))

    async def section(self, request: Request) -> Response:
        room = await self._room(request)
        place = request.query_params.get("place", "")[:40]
        work = partial(section_view, room.as_built(), place, theme(request), width_mm=width_mm(request))
        return JSONResponse(await asyncio.to_thread(work))

    async def take(self, request: Request) -> Response:
        room = await self._room(request)
        step = request.query_params.get("step", "")
        return await self._kept(request, room, SOUND_KINDS, partial(room.take, step))

    async def take_log(self, request: Request) -> Response:
        room = await self._room(request)
        return await self._kept(request, room, (".csv",), room.take_log)

    async def _kept(
        self, request: Request, room: VoicingRoom, kinds: tuple[str, ...], keep: Callable[[Path, str], object]
    ) -> Response:
        """Let a room keep the file that is sent, and everybody in it look again."""
        with tempfile.TemporaryDirectory() as folder:
            path, name = await received(request, Path(folder), kinds)
            with called(path, name):
                await asyncio.to_thread(keep, path, name)
        self.state.hall.tell(room.serial, {"changed": "head"})
        return JSONResponse({"kept": name})

    async def act(self, request: Request) -> Response:
        room = await self._room(request)
        given = await body(request)
        what = request.path_params["what"]
        works = {
            "reading": _read_column, "settle": _settle, "finish": _finish, "throw-away": _throw_away, "done": _done,
            "warm-up": _warm_up,
        }  # fmt: skip
        if what not in works:
            raise InputError(f"{what}: nothing of that name can be done at the voicing bench")
        answer = await asyncio.to_thread(works[what], room, given)
        if what == "done":
            self.state.leave_bench(room.serial)
        if what != "warm-up":
            self.state.hall.tell(room.serial, {"changed": "head"})
        return JSONResponse(answer)

    async def sheet(self, request: Request) -> Response:
        room = await self._room(request)
        return Response(model_text(room.as_built()), media_type="application/toml")


def _read_column(room: VoicingRoom, given: dict[str, Any]) -> dict[str, int]:
    register = given.get("register")
    if isinstance(register, bool) or not isinstance(register, int):
        raise InputError("reading: name the register by its number")
    room.read_column(
        words(given.get("note"), "note", 12), register, words(given.get("quantity"), "quantity", 40),
        number(given.get("value"), "reading"), words(given.get("unit"), "unit", 8),
    )  # fmt: skip
    return {}


def _settle(room: VoicingRoom, given: dict[str, Any]) -> dict[str, int]:
    checked, good = given.get("checked"), given.get("good")
    if checked is not None and not (isinstance(checked, list) and all(isinstance(c, str) for c in checked)):
        raise InputError("give the names of what was excluded", field="checked")
    room.settle(
        checked=checked,
        body=None if given.get("body") is None else words(given["body"], "reference body", 60),
        good=None if good is None else good is True,
        temperature_c=number(given.get("temperature_c"), "temperature"),
    )
    return {}


def _finish(room: VoicingRoom, given: dict[str, Any]) -> dict[str, int]:
    return {"event": room.finish()}


def _throw_away(room: VoicingRoom, given: dict[str, Any]) -> dict[str, int]:
    room.throw_away()
    return {}


def _done(room: VoicingRoom, given: dict[str, Any]) -> dict[str, int]:
    steps = number(given.get("steps"), "steps")
    key, reason = words(given.get("key"), "adjustment", 60), words(given.get("reason"), "reason")
    return {"event": room.done(key, 1.0 if steps is None else steps, reason)}


def _warm_up(room: VoicingRoom, given: dict[str, Any]) -> dict[str, int]:
    room.warm_up()
    return {}
