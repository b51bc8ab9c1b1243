"""The web app put together: pages, data, sockets, and the guard in front of them."""

from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, select_autoescape
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from fluewright.units import minus
from fluewright.web import pages_bench, pages_devices, pages_ledger, pages_models, pages_voicing
from fluewright.web.app_state import AppState
from fluewright.web.faults import LastGuard
from fluewright.web.guard import Guard

__all__ = ["build_app"]

_HERE = Path(__file__).parent


def build_app(state: AppState) -> Starlette:
    """Return the app.

    Parameters
    ----------
    state : AppState
    """
    pages = Environment(loader=FileSystemLoader(_HERE / "templates"), autoescape=select_autoescape(default=True))
    pages.filters["minus"] = minus

    def page(template: str, **facts: Any) -> HTMLResponse:
        return HTMLResponse(pages.get_template(template).render(lan=bool(state.address), **facts))

    async def home(request: Request) -> Response:
        return RedirectResponse("/bench", 303)

    async def icon(request: Request) -> Response:
        return Response(status_code=204)

    async def missing(request: Request, error: Exception) -> Response:
        answer = page("missing.html")
        answer.status_code = 404
        return answer

    houses = (pages_bench, pages_voicing, pages_models, pages_ledger, pages_devices)
    routes = [
        Route("/", home, methods=["GET"]),
        Route("/favicon.ico", icon, methods=["GET"]),
        *(route for house in houses for route in house.routes(state, page)),
        Mount("/static", StaticFiles(directory=_HERE / "static")),
    ]
    guard = Middleware(Guard, hosts=state.hosts, scheme=state.scheme, pairing=state.pairing)
    return Starlette(routes=routes, middleware=[guard, Middleware(LastGuard)], exception_handlers={404: missing})
