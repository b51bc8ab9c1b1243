"""The voicing pages: heads to choose from, one head's guided trial, what is wrong with it and what to do."""

import asyncio
import tempfile
from functools import partial
from pathlib import Path

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from fluewright.errors import InputError
from fluewright.instrument.files import model_text
from fluewright.ledger import AdjustmentMade, HeadTrialLogged, open_ledger
from fluewright.web.answers import Page, body, called, number, page_or_missing, plain, received, theme, width_mm, words
from fluewright.web.open_shop import Shop
from fluewright.web.pages_bench import SOUND_KINDS
from fluewright.web.section_view import section_view

__all__ = ["routes"]


def routes(shop: Shop, page: Page) -> list[BaseRoute]:
    """Return the voicing pages and what they ask for."""

    async def heads(request: Request) -> Response:
        with open_ledger(shop.ledger) as book:
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
        return page("heads.html", rows=rows)

    async def head(request: Request) -> Response:
        room = await asyncio.to_thread(shop.head, request.path_params["serial"])
        return page("voicing.html", serial=room.serial, model=room.model.model.name)

    async def state(request: Request) -> Response:
        room = await asyncio.to_thread(shop.head, request.path_params["serial"])
        beside = request.query_params.get("beside", "")
        event = int(beside) if beside.isascii() and beside.isdigit() and len(beside) < 12 else None
        return JSONResponse(await asyncio.to_thread(room.state, theme(request), event))

    async def advice(request: Request) -> Response:
        room = await asyncio.to_thread(shop.head, request.path_params["serial"])
        return JSONResponse(await asyncio.to_thread(room.advice))

    async def section(request: Request) -> Response:
        room = await asyncio.to_thread(shop.head, request.path_params["serial"])
        place = request.query_params.get("place", "")[:40]
        work = partial(section_view, room.as_built(), place, theme(request), width_mm=width_mm(request))
        return JSONResponse(await asyncio.to_thread(work))

    async def take(request: Request) -> Response:
        room = await asyncio.to_thread(shop.head, request.path_params["serial"])
        step = request.query_params.get("step", "")
        with tempfile.TemporaryDirectory() as folder:
            path, name = await received(request, Path(folder), SOUND_KINDS)
            with called(path, name):
                await asyncio.to_thread(room.take, step, path, name)
        shop.hall.tell(room.serial, {"changed": "head"})
        return JSONResponse({"kept": name})

    async def take_log(request: Request) -> Response:
        room = await asyncio.to_thread(shop.head, request.path_params["serial"])
        with tempfile.TemporaryDirectory() as folder:
            path, name = await received(request, Path(folder), (".csv",))
            with called(path, name):
                await asyncio.to_thread(room.take_log, path, name)
        shop.hall.tell(room.serial, {"changed": "head"})
        return JSONResponse({"kept": name})

    async def act(request: Request) -> Response:
        room = await asyncio.to_thread(shop.head, request.path_params["serial"])
        given = await body(request)
        what = request.path_params["what"]
        answer: dict[str, int | str] = {}
        if what == "reading":
            register = given.get("register")
            if isinstance(register, bool) or not isinstance(register, int):
                raise InputError("reading: name the register by its number")
            await asyncio.to_thread(
                room.read_column, words(given.get("note"), "note", 12), register,
                words(given.get("quantity"), "quantity", 40), number(given.get("value"), "reading"),
                words(given.get("unit"), "unit", 8),
            )  # fmt: skip
        elif what == "settle":
            checked, good = given.get("checked"), given.get("good")
            if checked is not None and not (isinstance(checked, list) and all(isinstance(c, str) for c in checked)):
                raise InputError("checked: give the names of what was excluded")
            await asyncio.to_thread(
                lambda: room.settle(
                    checked=checked,
                    body=None if given.get("body") is None else words(given["body"], "reference body", 60),
                    good=None if good is None else good is True,
                    temperature_c=number(given.get("temperature_c"), "temperature"),
                )
            )
        elif what == "finish":
            answer["event"] = await asyncio.to_thread(room.finish)
        elif what == "throw-away":
            await asyncio.to_thread(room.throw_away)
        elif what == "done":
            steps = number(given.get("steps"), "steps")
            answer["event"] = await asyncio.to_thread(
                room.done, words(given.get("key"), "adjustment", 60), 1.0 if steps is None else steps,
                words(given.get("reason"), "reason"),
            )  # fmt: skip
            shop.leave_bench(room.serial)
        elif what == "warm-up":
            await asyncio.to_thread(room.warm_up)
            return JSONResponse(answer)
        else:
            raise InputError(f"{what}: nothing of that name can be done at the voicing bench")
        shop.hall.tell(room.serial, {"changed": "head"})
        return JSONResponse(answer)

    async def sheet(request: Request) -> Response:
        room = await asyncio.to_thread(shop.head, request.path_params["serial"])
        return Response(model_text(room.as_built()), media_type="application/toml")

    return [
        Route("/voicing", heads, methods=["GET"]),
        Route("/voicing/{serial}", page_or_missing(head, page), methods=["GET"]),
        Route("/api/voicing/{serial}", plain(state), methods=["GET"]),
        Route("/api/voicing/{serial}/advice", plain(advice), methods=["GET"]),
        Route("/api/voicing/{serial}/section", plain(section), methods=["GET"]),
        Route("/api/voicing/{serial}/as-built.toml", plain(sheet), methods=["GET"]),
        Route("/api/voicing/{serial}/recording", plain(take), methods=["POST"]),
        Route("/api/voicing/{serial}/breath-log", plain(take_log), methods=["POST"]),
        Route("/api/voicing/{serial}/{what}", plain(act), methods=["POST"]),
    ]
