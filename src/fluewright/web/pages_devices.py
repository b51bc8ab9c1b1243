"""The page by which a phone or tablet in the shop is paired, and by which the owner sends one away."""

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from fluewright.errors import InputError
from fluewright.web.answers import Handler, Page, body, plain, words
from fluewright.web.app_state import AppState
from fluewright.web.guard import SESSION_COOKIE, THIS_COMPUTER
from fluewright.web.pages import Pages
from fluewright.web.pairing import SESSION_SECONDS

__all__ = ["routes"]


def routes(state: AppState, page: Page) -> list[BaseRoute]:
    """Return the pairing page and what it asks for."""
    pages = _DevicePages(state, page)
    return [
        Route("/pair", pages.pair_page, methods=["GET"]),
        Route("/pair", plain(pages.pair), methods=["POST"]),
        Route("/api/devices/code", plain(_owners(pages.begin_code)), methods=["POST"]),
        Route("/api/devices/end", plain(_owners(pages.end)), methods=["POST"]),
        Route("/api/devices/end-all", plain(_owners(pages.end_all)), methods=["POST"]),
    ]


def _here(request: Request) -> bool:
    return _client(request) in THIS_COMPUTER


def _client(request: Request) -> str:
    return request.client.host if request.client else "?"


def _owners(handler: Handler) -> Handler:
    """Let only this computer itself ask: a paired device decides over no other."""

    async def safe(request: Request) -> Response:
        if not _here(request):
            return JSONResponse({"fault": "this is done at the workshop's computer only"}, 403)
        return await handler(request)

    return safe


def _ago(seconds: float) -> str:
    """Return how long ago something was, in words."""
    for size, word in ((86400.0, "day"), (3600.0, "hour"), (60.0, "minute")):
        if seconds >= size:
            count = int(seconds // size)
            return f"{count} {word}{'' if count == 1 else 's'} ago"
    return "just now"


class _DevicePages(Pages):
    """The handlers; none has work that a thread would be needed for."""

    async def pair_page(self, request: Request) -> Response:
        pairing, here = self.state.pairing, _here(request)
        owner = here and bool(self.state.address)
        code = pairing.code() if owner else ""
        picture = ""
        if code:
            import segno

            link = f"{self.state.address}/pair#{code}"
            picture = segno.make(link, error="m").svg_inline(scale=5, dark="#1f2a30", light="#f4f1ea")
        now = pairing.clock()
        devices = [
            {
                "number": d.number, "name": d.name or f"Device {d.number}", "address": d.address,
                "paired": _ago(now - d.paired_s), "seen": _ago(now - d.seen_s),
            }
            for d in (pairing.devices() if owner else [])
        ]  # fmt: skip
        return self.page(
            "pair.html", code=code, picture=picture, here_now=here, address=self.state.address, devices=devices,
            guesses=pairing.guesses, spoiled=pairing.spoiled,
        )  # fmt: skip

    async def pair(self, request: Request) -> Response:
        given, client, pairing = await body(request), _client(request), self.state.pairing
        name = words(given.get("name"), "Name of this device", 40)
        wait = pairing.wait_s(client)
        if wait > 0.0:
            return JSONResponse({"fault": f"too many wrong codes; wait {max(wait, 1.0):.0f} seconds"}, 429)
        token = pairing.pair(words(given.get("code"), "Code", 40), client, name)
        if token is None:
            return JSONResponse({"fault": "that is not the code that the workshop's computer shows now"}, 403)
        answer = JSONResponse({"paired": True})
        answer.set_cookie(
            SESSION_COOKIE,
            token,
            max_age=SESSION_SECONDS,
            httponly=True,
            secure=self.state.scheme == "https",
            samesite="strict",
        )
        return answer

    async def begin_code(self, request: Request) -> Response:
        self.state.pairing.begin_code()
        return JSONResponse({})

    async def end(self, request: Request) -> Response:
        number = (await body(request)).get("device")
        if isinstance(number, bool) or not isinstance(number, int):
            raise InputError("name the device by its number")
        if not self.state.pairing.end(number):
            raise InputError("that device is not paired any more")
        return JSONResponse({})

    async def end_all(self, request: Request) -> Response:
        self.state.pairing.end_all()
        return JSONResponse({})
