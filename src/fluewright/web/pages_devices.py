"""The page by which a phone or tablet in the shop is paired."""

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from fluewright.web.answers import Page, body, plain
from fluewright.web.app_state import AppState
from fluewright.web.guard import SESSION_COOKIE, THIS_COMPUTER
from fluewright.web.pages import Pages
from fluewright.web.pairing import SESSION_SECONDS

__all__ = ["routes"]


def routes(state: AppState, page: Page) -> list[BaseRoute]:
    """Return the pairing page and what it asks for."""
    pages = _DevicePages(state, page)
    return [Route("/pair", pages.pair_page, methods=["GET"]), Route("/pair", plain(pages.pair), methods=["POST"])]


class _DevicePages(Pages):
    """The handlers; each gives the work to a thread."""

    async def pair_page(self, request: Request) -> Response:
        client = request.client.host if request.client else "?"
        here = client in THIS_COMPUTER
        code = self.state.pairing.code() if here and self.state.address else ""
        picture = ""
        if code:
            import segno

            link = f"{self.state.address}/pair#{code}"
            picture = segno.make(link, error="m").svg_inline(scale=5, dark="#1f2a30", light="#f4f1ea")
        return self.page("pair.html", code=code, picture=picture, here_now=here, address=self.state.address)

    async def pair(self, request: Request) -> Response:
        given = await body(request)
        client = request.client.host if request.client else "?"
        wait = self.state.pairing.wait_s(client)
        if wait > 0.0:
            return JSONResponse({"fault": f"too many wrong codes; wait {wait:.0f} seconds"}, 429)
        token = self.state.pairing.pair(str(given.get("code", ""))[:40], client)
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
