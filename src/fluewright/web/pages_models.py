"""The models' pages: the list, one model, two versions side by side."""

import asyncio
import tempfile
from functools import partial
from itertools import groupby
from pathlib import Path

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from fluewright.errors import FluewrightError, InputError
from fluewright.instrument.changes import changed
from fluewright.instrument.differences import size_differences
from fluewright.instrument.files import model_text
from fluewright.instrument.model import Model
from fluewright.instrument.sizes import size_words
from fluewright.pictures.views import top_view
from fluewright.shop.models import ListedModel, list_models, read_version, save_version, versions_of
from fluewright.web import model_view
from fluewright.web.answers import Page, body, page_or_missing, plain, sizes, theme, width_mm, words
from fluewright.web.app_state import AppState
from fluewright.web.comparison import compared
from fluewright.web.pages import Pages
from fluewright.web.section_view import section_view

__all__ = ["routes"]


def routes(state: AppState, page: Page) -> list[BaseRoute]:
    """Return the models' pages and what they ask for."""
    pages = _ModelPages(state, page)
    api = "/api/models/{name:path}"
    return [
        Route("/models", page_or_missing(pages.models, page), methods=["GET"]),
        Route("/compare", page_or_missing(pages.compare, page), methods=["GET"]),
        Route("/api/compare", plain(pages.comparison), methods=["POST"]),
        Route("/models/{name:path}", page_or_missing(pages.model, page), methods=["GET"]),
        *(
            Route(f"{api}/{what}", plain(work), methods=["POST"])
            for what, work in (
                ("drag", pages.drag), ("breath", pages.breath), ("sensitivity", pages.sensitivity),
                ("section", pages.section), ("fit", pages.fit), ("sound", pages.sound), ("save", pages.save),
                ("sheet", pages.sheet), ("text", pages.text),
            )
        ),
    ]  # fmt: skip


def _row(one: ListedModel) -> dict[str, object]:
    """Return what the list shows of a model; of one that is none any more, or cannot be drawn, why."""
    words, drawing, fault = "", "", one.fault
    if one.model is not None:
        words = one.model.model.description
        try:
            drawing = top_view(one.model, theme="light", width_mm=150.0)
        except FluewrightError as error:
            fault = str(error)
    return {"name": one.name, "version": one.version, "words": words, "drawing": drawing, "fault": fault}


class _ModelPages(Pages):
    """The handlers; each gives the work to a thread."""

    async def models(self, request: Request) -> Response:
        listed = await asyncio.to_thread(list_models, self.state.ledger)
        return self.page("models.html", rows=await asyncio.to_thread(lambda: [_row(one) for one in listed]))

    async def model(self, request: Request) -> Response:
        name = request.path_params["name"]
        made = await asyncio.to_thread(self.state.model, name, fresh=True)
        rows = await asyncio.to_thread(model_view.dimension_rows, made)
        groups = [(name_of, list(group)) for name_of, group in groupby(rows, key=lambda r: r["group"])]
        known = await asyncio.to_thread(versions_of, self.state.ledger, name)
        listed = await asyncio.to_thread(list_models, self.state.ledger)
        others = [m.name for m in listed if m.name != name and m.model is not None]
        return self.page(
            "model.html", name=name, groups=groups, model=made, versions=known, others=others,
            limits=model_view.limit_rows(made),
        )  # fmt: skip

    async def compare(self, request: Request) -> Response:
        old, new = (request.query_params.get(k, "")[:80] for k in ("old", "new"))
        if not old or not new:
            raise InputError("compare: name two versions, for example ?old=d5-cylinder@1&new=d5-cylinder@2")
        one, two = [await asyncio.to_thread(read_version, self.state.ledger, said) for said in (old, new)]
        rows = [
            {"words": size_words(d.key), "before": d.before, "after": d.after, "unit": d.unit}
            for d in size_differences(one, two)
        ]
        return self.page("compare.html", old=old, new=new, rows=rows)

    async def made_of(self, request: Request) -> tuple[Model, dict[str, object]]:
        """Return the model that a request means, with its sizes and limits changed, and the request."""
        given = await body(request)
        saved = await asyncio.to_thread(self.state.model, request.path_params["name"])
        return changed(saved, sizes(given.get("sizes")), model_view.limits_of(given.get("limits"))), given

    async def drag(self, request: Request) -> Response:
        made, given = await self.made_of(request)
        work = partial(
            model_view.drag_view, made, theme(request), section=given.get("section") is True, width_mm=width_mm(request)
        )
        return JSONResponse(await asyncio.to_thread(work))

    async def breath(self, request: Request) -> Response:
        made, _ = await self.made_of(request)
        saved = await asyncio.to_thread(self.state.model, request.path_params["name"])
        return JSONResponse(await asyncio.to_thread(model_view.blown_view, made, theme(request), saved))

    async def sensitivity(self, request: Request) -> Response:
        made, _ = await self.made_of(request)
        return JSONResponse({"picture": await asyncio.to_thread(model_view.sensitivity_picture, made, theme(request))})

    async def section(self, request: Request) -> Response:
        made, given = await self.made_of(request)
        place = words(given.get("place"), "place", 40)
        work = partial(section_view, made, place, theme(request), width_mm=width_mm(request))
        return JSONResponse(await asyncio.to_thread(work))

    async def fit(self, request: Request) -> Response:
        made, given = await self.made_of(request)
        return JSONResponse(
            await asyncio.to_thread(partial(model_view.fitted_sizes, made, blown=given.get("blown") is True))
        )

    async def sound(self, request: Request) -> Response:
        made, given = await self.made_of(request)
        what, note = words(given.get("what"), "what to hear", 20) or "note", words(given.get("note"), "note", 12)
        wav = await asyncio.to_thread(model_view.sound_wav, made, what, note)
        return Response(wav, media_type="audio/wav")

    async def save(self, request: Request) -> Response:
        made, given = await self.made_of(request)
        name = words(given.get("name"), "name", 200) or made.model.name
        saved = await asyncio.to_thread(save_version, self.state.ledger, made, name)
        self.state.models.pop(name, None)
        return JSONResponse({"name": saved.name, "version": saved.version})

    async def sheet(self, request: Request) -> Response:
        made, _ = await self.made_of(request)
        saved = await asyncio.to_thread(self.state.model, request.path_params["name"])
        with tempfile.TemporaryDirectory() as folder:
            pdf = await asyncio.to_thread(model_view.sheet_pdf, made, Path(folder), self.state.ledger, saved)
        return Response(pdf, media_type="application/pdf")

    async def text(self, request: Request) -> Response:
        made, _ = await self.made_of(request)
        return Response(model_text(made), media_type="application/toml")

    async def comparison(self, request: Request) -> Response:
        given = await body(request)
        one, two = [
            await asyncio.to_thread(read_version, self.state.ledger, words(given.get(k), k, 80)) for k in ("old", "new")
        ]
        names = (words(given.get("old"), "old", 80), words(given.get("new"), "new", 80))
        work = partial(compared, one, two, names, theme(request), blown=given.get("blown") is True)
        return JSONResponse(await asyncio.to_thread(work))
