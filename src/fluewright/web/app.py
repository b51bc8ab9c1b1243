"""The web app put together: pages, data, sockets, and the guard in front of them."""

import asyncio
import hashlib
import json
import tempfile
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, select_autoescape
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles
from starlette.websockets import WebSocket

from fluewright.errors import FluewrightError, InputError
from fluewright.instrument.model import Model
from fluewright.ledger import open_ledger
from fluewright.pictures.views import top_view
from fluewright.shop import history_rows, ledger_scores
from fluewright.web import desk
from fluewright.web.bench_room import BenchRoom, Recorded
from fluewright.web.guard import SESSION_COOKIE, Guard
from fluewright.web.live import Hall, bench_socket
from fluewright.web.pairing import Pairing

__all__ = ["Shop", "build_app"]

_HERE = Path(__file__).parent


@dataclass
class Shop:
    """What the pages need: the ledger, a folder beside it, who is paired, what is on the benches.

    Attributes
    ----------
    ledger, folder : Path
    hosts : set of str
        Names we may be asked for, with the port.
    scheme : str
    address : str
        Where other devices reach us; empty without --lan.
    """

    ledger: Path
    folder: Path
    hosts: set[str]
    scheme: str = "http"
    address: str = ""
    pairing: Pairing = field(default_factory=Pairing)
    hall: Hall = field(default_factory=Hall)
    models: dict[str, Model] = field(default_factory=dict)

    def model(self, name: str, *, fresh: bool = False) -> Model:
        """Return a model; from memory while its page is open, so that a drag does not wait for the disk.

        Raises
        ------
        InputError
            There is none of that name.
        """
        if fresh or name not in self.models:
            self.models[name] = desk.read(self.ledger, name)
        return self.models[name]

    def room(self, serial: str) -> BenchRoom:
        """Return the bench of a piece.

        Raises
        ------
        InputError
            The ledger has no such piece.
        """
        if serial not in self.hall.rooms:
            self.hall.rooms[serial] = BenchRoom(self.ledger, serial, self.folder)
        return self.hall.rooms[serial]


Handler = Callable[[Request], Awaitable[Response]]


def _plain(handler: Handler) -> Handler:
    """Turn errors that are meant for people into a plain answer."""

    async def safe(request: Request) -> Response:
        try:
            return await handler(request)
        except InputError as error:
            return JSONResponse({"fault": str(error)}, 400)
        except FluewrightError as error:
            return JSONResponse({"fault": str(error)}, 422)
        except (json.JSONDecodeError, UnicodeDecodeError):
            return JSONResponse({"fault": "the request is no JSON"}, 400)
        except ClientDisconnect:
            return PlainTextResponse("gone", 400)

    return safe


async def _body(request: Request) -> dict[str, Any]:
    found = await request.json()
    if not isinstance(found, dict):
        raise InputError("the request is no JSON object")
    return found


def _sizes(given: Any) -> dict[str, float]:
    """Return sizes of a request.

    Raises
    ------
    InputError
        They are not numbers by name.
    """
    if given is None:
        return {}
    if not isinstance(given, dict) or len(given) > 400:
        raise InputError("sizes: give numbers by name")
    found = {}
    for key, value in given.items():
        if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e5:
            raise InputError(f"{str(key)[:60]}: {str(value)[:40]} is no size in mm")
        found[str(key)] = float(value)
    return found


def _number(given: Any, what: str) -> float | None:
    if given is None or given == "":
        return None
    if isinstance(given, bool) or not isinstance(given, int | float):
        raise InputError(f"{what}: {str(given)[:40]} is no number")
    return float(given)


def _theme(request: Request) -> str:
    return "dark" if request.query_params.get("theme") == "dark" else "light"


def build_app(shop: Shop) -> Starlette:
    """Return the app.

    Parameters
    ----------
    shop : Shop
    """
    pages = Environment(loader=FileSystemLoader(_HERE / "templates"), autoescape=select_autoescape(default=True))

    def page(template: str, **facts: Any) -> HTMLResponse:
        return HTMLResponse(pages.get_template(template).render(lan=bool(shop.address), **facts))

    async def models_page(request: Request) -> Response:
        rows = await asyncio.to_thread(desk.model_list, shop.ledger)
        for row in rows:
            row["drawing"] = top_view(row["model"], theme="light", width_mm=150.0)
            row["words"] = row["model"].model.description
        return page("models.html", rows=rows)

    async def model_page(request: Request) -> Response:
        name = request.path_params["name"]
        model = await asyncio.to_thread(shop.model, name, fresh=True)
        rows = await asyncio.to_thread(desk.dimension_rows, model)
        with open_ledger(shop.ledger) as book:
            known = {m.name for m in book.models()}
        return page("model.html", name=name, rows=rows, model=model, saved=name in known)

    async def bench_list(request: Request) -> Response:
        with open_ledger(shop.ledger) as book:
            pieces = book.instruments()
            models = [m.name for m in book.models()]
        return page("benches.html", pieces=list(reversed(pieces)), models=list(dict.fromkeys(models)))

    async def bench_page(request: Request) -> Response:
        room = await asyncio.to_thread(shop.room, request.path_params["serial"])
        return page("bench.html", serial=room.serial, model=room.model.model.name)

    async def ledger_page(request: Request) -> Response:
        with open_ledger(shop.ledger) as book:
            pieces = list(reversed(book.instruments()))
            event, digest = book.head()
        scores, _ = await asyncio.to_thread(ledger_scores, shop.ledger)
        wanted = request.query_params.get("search", "")[:60].casefold()
        if wanted:
            pieces = [
                p for p in pieces if wanted in f"{p.serial} {p.model_name} {p.material} {p.lot} {p.state}".casefold()
            ]
        return page(
            "ledger.html", pieces=pieces, search=request.query_params.get("search", "")[:60], events=event,
            digest=digest[:12], file=shop.ledger.name, scores=scores,
        )  # fmt: skip

    async def history_page(request: Request) -> Response:
        serial = request.path_params["serial"]
        rows = await asyncio.to_thread(history_rows, shop.ledger, serial)
        return page("history.html", serial=serial, rows=rows)

    # --- data

    async def drag(request: Request) -> Response:
        given = await _body(request)
        model = await asyncio.to_thread(shop.model, request.path_params["name"])
        view = await asyncio.to_thread(desk.drag_view, model, _sizes(given.get("sizes")), _theme(request))
        return JSONResponse(view)

    async def breath(request: Request) -> Response:
        given = await _body(request)
        model = await asyncio.to_thread(shop.model, request.path_params["name"])
        return JSONResponse(await asyncio.to_thread(desk.blown_view, model, _sizes(given.get("sizes"))))

    async def fit(request: Request) -> Response:
        given = await _body(request)
        model = await asyncio.to_thread(shop.model, request.path_params["name"])
        sizes, blown = _sizes(given.get("sizes")), given.get("blown") is True
        return JSONResponse(await asyncio.to_thread(partial(desk.fitted_sizes, model, sizes, blown=blown)))

    async def sound(request: Request) -> Response:
        given = await _body(request)
        model = await asyncio.to_thread(shop.model, request.path_params["name"])
        wav = await asyncio.to_thread(
            desk.sound_wav,
            model,
            _sizes(given.get("sizes")),
            str(given.get("what", "note")),
            str(given.get("note", "")),
        )
        return Response(wav, media_type="audio/wav")

    async def save(request: Request) -> Response:
        given = await _body(request)
        model = await asyncio.to_thread(shop.model, request.path_params["name"])
        name = str(given.get("name") or model.model.name)
        saved = await asyncio.to_thread(desk.save_version, shop.ledger, model, _sizes(given.get("sizes")), name)
        if name != request.path_params["name"]:
            shop.models.pop(name, None)
        return JSONResponse(saved)

    async def sheet(request: Request) -> Response:
        given = await _body(request)
        model = await asyncio.to_thread(shop.model, request.path_params["name"])
        with tempfile.TemporaryDirectory() as folder:
            pdf = await asyncio.to_thread(desk.sheet_pdf, model, _sizes(given.get("sizes")), Path(folder))
        return Response(pdf, media_type="application/pdf")

    async def begin(request: Request) -> Response:
        from fluewright.shop import begin_piece

        given = await _body(request)
        name = str(given.get("model", ""))
        with open_ledger(shop.ledger) as book:
            known = name in {m.name for m in book.models()}
        if not known:
            model = await asyncio.to_thread(desk.read, shop.ledger, name)
            await asyncio.to_thread(desk.save_version, shop.ledger, model, {}, name)
        work = partial(
            begin_piece, shop.ledger, name, prefix=str(given.get("prefix", "")), sizes=_sizes(given.get("sizes")),
            material=str(given.get("material", "")), lot=str(given.get("lot", "")),
        )  # fmt: skip
        return JSONResponse({"serial": await asyncio.to_thread(work)})

    async def bench_state(request: Request) -> Response:
        room = await asyncio.to_thread(shop.room, request.path_params["serial"])
        return JSONResponse(await asyncio.to_thread(room.state, _theme(request)))

    async def act(request: Request) -> Response:
        """One touch at the bench; everybody at it is told to look again."""
        room = await asyncio.to_thread(shop.room, request.path_params["serial"])
        given = await _body(request)
        what = request.path_params["what"]
        warnings: list[str] = []
        if what == "finish":
            warnings = list((await asyncio.to_thread(room.finish_trial)).warnings)
        elif what == "drop":
            index = given.get("fingering")
            if not isinstance(index, int):
                raise InputError("drop: name the note by its number")
            await asyncio.to_thread(room.drop, index)
        elif what == "throw-away":
            await asyncio.to_thread(room.throw_away)
        elif what == "conditions":
            room.set_conditions(
                _number(given.get("temperature_c"), "temperature"), _number(given.get("breath_pa"), "breath")
            )
        elif what == "cut":
            after = _number(given.get("after_mm"), "size after the cut")
            if after is None:
                raise InputError("cut: give the size after it, in mm")
            tool, reason = str(given.get("tool") or "by hand")[:200], str(given.get("reason") or "as advised")[:200]
            await asyncio.to_thread(room.log_cut, str(given.get("key", "")), after, tool, reason)
        else:
            raise InputError(f"{what}: nothing of that name can be done at the bench")
        shop.hall.tell(room.serial, {"changed": what})
        return JSONResponse({"warnings": warnings})

    async def recording(request: Request) -> Response:
        room = await asyncio.to_thread(shop.room, request.path_params["serial"])
        name = Path(request.query_params.get("name", "recording")).name[:80] or "recording"
        suffix = Path(name).suffix.lower()
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / f"sound{suffix if suffix in ('.wav', '.flac', '.ogg', '.mp3') else '.wav'}"
            digest = hashlib.sha256()
            with path.open("wb") as stream:
                async for part in request.stream():
                    digest.update(part)
                    stream.write(part)
            advice_warnings = await asyncio.to_thread(_judge_file, room, path, name, digest.hexdigest())
        shop.hall.tell(room.serial, {"changed": "recording"})
        return JSONResponse({"warnings": advice_warnings})

    async def certificate(request: Request) -> Response:
        room = await asyncio.to_thread(shop.room, request.path_params["serial"])
        with tempfile.TemporaryDirectory() as folder:
            pdf = await asyncio.to_thread(room.certificate, Path(folder))
        name = f'attachment; filename="{room.serial}-certificate.pdf"'
        return Response(pdf, media_type="application/pdf", headers={"content-disposition": name})

    async def bench_live(socket: WebSocket) -> None:
        try:
            room = await asyncio.to_thread(shop.room, socket.path_params["serial"])
        except FluewrightError:
            await socket.close(1008)
            return
        await bench_socket(socket, shop.hall, room)

    # --- other devices

    async def pair_page(request: Request) -> Response:
        client = request.client.host if request.client else "?"
        here = client in ("127.0.0.1", "::1", "testclient")
        code = shop.pairing.code() if here and shop.address else ""
        picture = ""
        if code:
            import segno

            link = f"{shop.address}/pair#{code}"
            picture = segno.make(link, error="m").svg_inline(scale=5, dark="#1f2a30", light="#f4f1ea")
        return page("pair.html", code=code, picture=picture, here_now=here, address=shop.address)

    async def pair(request: Request) -> Response:
        given = await _body(request)
        client = request.client.host if request.client else "?"
        wait = shop.pairing.wait_s(client)
        if wait > 0.0:
            return JSONResponse({"fault": f"too many wrong codes; wait {wait:.0f} seconds"}, 429)
        token = shop.pairing.pair(str(given.get("code", ""))[:40], client)
        if token is None:
            return JSONResponse({"fault": "that is not the code that the workshop's computer shows now"}, 403)
        answer = JSONResponse({"paired": True})
        answer.set_cookie(
            SESSION_COOKIE,
            token,
            max_age=30 * 24 * 3600,
            httponly=True,
            secure=shop.scheme == "https",
            samesite="strict",
        )
        return answer

    async def home(request: Request) -> Response:
        return RedirectResponse("/bench", 303)

    async def icon(request: Request) -> Response:
        return Response(status_code=204)

    async def missing(request: Request, error: Exception) -> Response:
        answer = page("missing.html")
        answer.status_code = 404
        return answer

    get, post = ["GET"], ["POST"]
    routes = [
        Route("/", home, methods=get),
        Route("/models", models_page, methods=get),
        Route("/models/{name}", _page_or_missing(model_page, page), methods=get),
        Route("/bench", bench_list, methods=get),
        Route("/bench/{serial}", _page_or_missing(bench_page, page), methods=get),
        Route("/ledger", ledger_page, methods=get),
        Route("/ledger/{serial}", _page_or_missing(history_page, page), methods=get),
        Route("/pair", pair_page, methods=get),
        Route("/pair", _plain(pair), methods=post),
        Route("/favicon.ico", icon, methods=get),
        Route("/api/models/{name}/drag", _plain(drag), methods=post),
        Route("/api/models/{name}/breath", _plain(breath), methods=post),
        Route("/api/models/{name}/fit", _plain(fit), methods=post),
        Route("/api/models/{name}/sound", _plain(sound), methods=post),
        Route("/api/models/{name}/save", _plain(save), methods=post),
        Route("/api/models/{name}/sheet", _plain(sheet), methods=post),
        Route("/api/bench", _plain(begin), methods=post),
        Route("/api/bench/{serial}", _plain(bench_state), methods=get),
        Route("/api/bench/{serial}/certificate", _plain(certificate), methods=get),
        Route("/api/bench/{serial}/recording", _plain(recording), methods=post),
        Route("/api/bench/{serial}/{what}", _plain(act), methods=post),
        WebSocketRoute("/live/{serial}", bench_live),
        Mount("/static", StaticFiles(directory=_HERE / "static")),
    ]
    guard = Middleware(Guard, hosts=shop.hosts, scheme=shop.scheme, pairing=shop.pairing)
    return Starlette(routes=routes, middleware=[guard], exception_handlers={404: missing})


def _page_or_missing(handler: Handler, page: Callable[..., HTMLResponse]) -> Handler:
    async def safe(request: Request) -> Response:
        try:
            return await handler(request)
        except FluewrightError as error:
            answer = page("missing.html", why=str(error))
            answer.status_code = 404
            return answer

    return safe


def _judge_file(room: BenchRoom, path: Path, name: str, digest: str) -> list[str]:
    from fluewright.listening.streams import hear_file

    heard = hear_file(path)
    advice = room.take_recording(heard.hearing.notes, Recorded(name, digest))
    return [*heard.about.warnings, *heard.hearing.warnings, *advice.warnings]
