"""The page by which a phone or tablet in the shop is paired."""

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from fluewright.web.answers import Page, body, plain
from fluewright.web.guard import SESSION_COOKIE, THIS_COMPUTER
from fluewright.web.open_shop import Shop
from fluewright.web.pairing import SESSION_SECONDS

__all__ = ["routes"]


def routes(shop: Shop, page: Page) -> list[BaseRoute]:
    """Return the pairing page and what it asks for."""

    async def pair_page(request: Request) -> Response:
        client = request.client.host if request.client else "?"
        here = client in THIS_COMPUTER
        code = shop.pairing.code() if here and shop.address else ""
        picture = ""
        if code:
            import segno

            link = f"{shop.address}/pair#{code}"
            picture = segno.make(link, error="m").svg_inline(scale=5, dark="#1f2a30", light="#f4f1ea")
        return page("pair.html", code=code, picture=picture, here_now=here, address=shop.address)

    async def pair(request: Request) -> Response:
        given = await body(request)
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
            max_age=SESSION_SECONDS,
            httponly=True,
            secure=shop.scheme == "https",
            samesite="strict",
        )
        return answer

    return [Route("/pair", pair_page, methods=["GET"]), Route("/pair", plain(pair), methods=["POST"])]
