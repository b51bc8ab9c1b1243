"""The models' pages: the list, one model at the desk, two versions side by side."""

import asyncio
import tempfile
from functools import partial
from itertools import groupby
from pathlib import Path

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from fluewright.errors import InputError
from fluewright.instrument.differences import size_differences
from fluewright.instrument.files import model_text
from fluewright.instrument.model import Model
from fluewright.instrument.sizes import size_words
from fluewright.pictures.views import top_view
from fluewright.web import desk
from fluewright.web.answers import Page, body, page_or_missing, plain, sizes, theme, width_mm, words
from fluewright.web.comparison import compared
from fluewright.web.open_shop import Shop
from fluewright.web.section_view import section_view

__all__ = ["routes"]


def routes(shop: Shop, page: Page) -> list[BaseRoute]:
    """Return the models' pages and what they ask for."""

    async def models(request: Request) -> Response:
        rows = await asyncio.to_thread(desk.model_list, shop.ledger)
        for row in rows:
            row["drawing"] = top_view(row["model"], theme="light", width_mm=150.0)
            row["words"] = row["model"].model.description
        return page("models.html", rows=rows)

    async def model(request: Request) -> Response:
        name = request.path_params["name"]
        made = await asyncio.to_thread(shop.model, name, fresh=True)
        rows = await asyncio.to_thread(desk.dimension_rows, made)
        groups = [(name_of, list(group)) for name_of, group in groupby(rows, key=lambda r: r["group"])]
        known = await asyncio.to_thread(desk.versions, shop.ledger, name)
        others = [r["name"] for r in await asyncio.to_thread(desk.model_list, shop.ledger) if r["name"] != name]
        return page(
            "model.html", name=name, groups=groups, model=made, versions=known, others=others,
            limits=desk.limit_rows(made),
        )  # fmt: skip

    async def compare(request: Request) -> Response:
        old, new = (request.query_params.get(k, "")[:80] for k in ("old", "new"))
        if not old or not new:
            raise InputError("compare: name two versions, for example ?old=d5-cylinder@1&new=d5-cylinder@2")
        one, two = [await asyncio.to_thread(desk.read_version, shop.ledger, said) for said in (old, new)]
        rows = [
            {"words": size_words(d.key), "before": d.before, "after": d.after, "unit": d.unit}
            for d in size_differences(one, two)
        ]
        return page("compare.html", old=old, new=new, rows=rows)

    async def made_of(request: Request) -> tuple[Model, dict[str, object]]:
        """Return the model that a request means, with its sizes and limits changed, and the request."""
        given = await body(request)
        saved = await asyncio.to_thread(shop.model, request.path_params["name"])
        return desk.changed(saved, sizes(given.get("sizes")), desk.limits_of(given.get("limits"))), given

    async def drag(request: Request) -> Response:
        made, given = await made_of(request)
        work = partial(
            desk.drag_view, made, theme(request), section=given.get("section") is True, width_mm=width_mm(request)
        )
        return JSONResponse(await asyncio.to_thread(work))

    async def breath(request: Request) -> Response:
        made, _ = await made_of(request)
        saved = await asyncio.to_thread(shop.model, request.path_params["name"])
        return JSONResponse(await asyncio.to_thread(desk.blown_view, made, theme(request), saved))

    async def sensitivity(request: Request) -> Response:
        made, _ = await made_of(request)
        return JSONResponse({"picture": await asyncio.to_thread(desk.sensitivity_picture, made, theme(request))})

    async def section(request: Request) -> Response:
        made, given = await made_of(request)
        place = words(given.get("place"), "place", 40)
        work = partial(section_view, made, place, theme(request), width_mm=width_mm(request))
        return JSONResponse(await asyncio.to_thread(work))

    async def fit(request: Request) -> Response:
        made, given = await made_of(request)
        return JSONResponse(await asyncio.to_thread(partial(desk.fitted_sizes, made, blown=given.get("blown") is True)))

    async def sound(request: Request) -> Response:
        made, given = await made_of(request)
        what, note = words(given.get("what"), "what to hear", 20) or "note", words(given.get("note"), "note", 12)
        wav = await asyncio.to_thread(desk.sound_wav, made, what, note)
        return Response(wav, media_type="audio/wav")

    async def save(request: Request) -> Response:
        made, given = await made_of(request)
        name = words(given.get("name"), "name", 200) or made.model.name
        saved = await asyncio.to_thread(desk.save_version, shop.ledger, made, name)
        shop.models.pop(name, None)
        return JSONResponse(saved)

    async def sheet(request: Request) -> Response:
        made, _ = await made_of(request)
        with tempfile.TemporaryDirectory() as folder:
            pdf = await asyncio.to_thread(desk.sheet_pdf, made, Path(folder))
        return Response(pdf, media_type="application/pdf")

    async def text(request: Request) -> Response:
        made, _ = await made_of(request)
        return Response(model_text(made), media_type="application/toml")

    async def comparison(request: Request) -> Response:
        given = await body(request)
        one, two = [
            await asyncio.to_thread(desk.read_version, shop.ledger, words(given.get(k), k, 80)) for k in ("old", "new")
        ]
        names = (words(given.get("old"), "old", 80), words(given.get("new"), "new", 80))
        work = partial(compared, one, two, names, theme(request), blown=given.get("blown") is True)
        return JSONResponse(await asyncio.to_thread(work))

    api = "/api/models/{name}"
    return [
        Route("/models", models, methods=["GET"]),
        Route("/compare", page_or_missing(compare, page), methods=["GET"]),
        Route("/api/compare", plain(comparison), methods=["POST"]),
        Route("/models/{name}", page_or_missing(model, page), methods=["GET"]),
        *(
            Route(f"{api}/{what}", plain(work), methods=["POST"])
            for what, work in (
                ("drag", drag), ("breath", breath), ("sensitivity", sensitivity), ("section", section), ("fit", fit),
                ("sound", sound), ("save", save), ("sheet", sheet), ("text", text),
            )
        ),
    ]  # fmt: skip
