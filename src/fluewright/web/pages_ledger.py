"""The ledger's pages: all instruments and their state, one's history, trust in forecasts, copies of the records."""

import asyncio
import tempfile
from datetime import datetime
from functools import partial
from pathlib import Path
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import BaseRoute, Route

from fluewright.errors import InputError, LedgerError
from fluewright.instrument.sizes import size_unit, size_words
from fluewright.ledger import PieceState, back_up, open_ledger
from fluewright.pictures.trust import trust_picture
from fluewright.shop.backups import backup_state, kept_copies, make_backup, records_findings, restore_copy
from fluewright.shop.cutting import correct_cut
from fluewright.shop.history import find_pieces, history_rows
from fluewright.shop.learning import ledger_scores
from fluewright.shop.recordings import recording_path
from fluewright.web.answers import Page, body, number, page_or_missing, plain, theme, words
from fluewright.web.app_state import AppState
from fluewright.web.faults import status_of
from fluewright.web.pages import Pages

__all__ = ["routes"]


def routes(state: AppState, page: Page) -> list[BaseRoute]:
    """Return the ledger's pages and what they ask for."""
    pages = _LedgerPages(state, page)
    return [
        Route("/ledger", page_or_missing(pages.ledger, page), methods=["GET"]),
        Route("/ledger/{serial}", page_or_missing(pages.history, page), methods=["GET"]),
        Route("/api/ledger/{serial}/correct", plain(pages.correct), methods=["POST"]),
        Route("/api/ledger/trust", plain(pages.trust), methods=["GET"]),
        Route("/api/ledger/copy", plain(pages.copy), methods=["POST"]),
        Route("/api/ledger/backup", plain(pages.keep), methods=["POST"]),
        Route("/api/ledger/verify", plain(pages.check), methods=["POST"]),
        Route("/api/ledger/restore", plain(pages.restore), methods=["POST"]),
        Route("/api/recordings/{digest}", plain(pages.recording), methods=["GET"]),
    ]


class _LedgerPages(Pages):
    """The handlers; each gives the work to a thread."""

    async def ledger(self, request: Request) -> Response:
        wanted = request.query_params.get("search", "")[:60].strip()
        state = request.query_params.get("state", "")[:40]
        copies = [copy.name for copy in reversed(await asyncio.to_thread(kept_copies, self.state.ledger))]
        try:
            pieces = await asyncio.to_thread(find_pieces, self.state.ledger, wanted, state)
            scores, _ = await asyncio.to_thread(ledger_scores, self.state.ledger)
            kept = await asyncio.to_thread(backup_state, self.state.ledger)
        except LedgerError as error:
            # The way back to a copy must not need the ledger that is damaged.
            answer = self.page("ledger_trouble.html", why=str(error), copies=copies)
            status = status_of(error)
            answer.status_code = status if status > 500 else 200
            return answer
        return self.page(
            "ledger.html", pieces=pieces, search=wanted, state=state, states=[str(s) for s in PieceState],
            file=self.state.ledger, scores=scores, kept=kept, copies=copies,
        )  # fmt: skip

    async def history(self, request: Request) -> Response:
        serial = request.path_params["serial"]
        rows = await asyncio.to_thread(history_rows, self.state.ledger, serial)
        with open_ledger(self.state.ledger) as book:
            piece = book.instrument(serial)
        sizes = [
            (size_words(k), v, "\u00b0" if size_unit(k) == "deg" else "mm") for k, v in sorted(piece.as_built.items())
        ]
        return self.page("history.html", serial=serial, rows=rows, piece=piece, sizes=sizes)

    async def correct(self, request: Request) -> Response:
        given = await body(request)
        serial, event, after = request.path_params["serial"], given.get("event"), number(given.get("after_mm"), "size")
        if isinstance(event, bool) or not isinstance(event, int):
            raise InputError("correct: name the event by its number")
        if after is None:
            raise InputError("write the right size after the cut, in mm")
        work = partial(
            correct_cut, self.state.ledger, serial, event, after_mm=after, reason=words(given.get("reason"), "reason")
        )
        made = await asyncio.to_thread(work)
        self.state.hall.tell(serial, {"changed": "correction"})
        return JSONResponse({"event": made})

    async def trust(self, request: Request) -> Response:
        scores, _ = await asyncio.to_thread(ledger_scores, self.state.ledger)
        if not scores.count:
            return JSONResponse({"picture": ""})
        picture = trust_picture(
            scores.levels.tolist(), scores.observed.tolist(), count=scores.count, theme=theme(request)
        )  # fmt: skip
        return JSONResponse({"picture": picture})

    async def keep(self, request: Request) -> Response:
        return JSONResponse({"kept": (await asyncio.to_thread(make_backup, self.state.ledger)).name})

    async def check(self, request: Request) -> Response:
        findings = await asyncio.to_thread(records_findings, self.state.ledger, self.state.folder)
        return JSONResponse({"clean": not findings, "findings": list(findings)[:20]})

    async def restore(self, request: Request) -> Response:
        given = await body(request)
        report = await asyncio.to_thread(restore_copy, self.state.ledger, words(given.get("copy"), "copy"))
        self.state.begin_anew()
        return JSONResponse(
            {"aside": "" if report.aside is None else report.aside.name, "events": report.verified.events}
        )

    async def copy(self, request: Request) -> Response:
        # The copy is gone from the disk before it is sent: a device that goes away leaves nothing of it behind.
        name = f"{self.state.ledger.stem}-{datetime.now().strftime('%Y%m%d-%H%M%S')}.ledger"
        with tempfile.TemporaryDirectory(prefix="fluewright-copy-") as folder:
            path = Path(folder) / name
            await asyncio.to_thread(back_up, self.state.ledger, path)
            content = await asyncio.to_thread(path.read_bytes)
        headers = {"content-disposition": f'attachment; filename="{quote(name)}"'}
        return Response(content, media_type="application/octet-stream", headers=headers)

    async def recording(self, request: Request) -> Response:
        digest = request.path_params["digest"]
        if len(digest) != 64 or not set(digest) <= set("0123456789abcdef"):
            raise InputError("recording: that is no hash of one")
        path = recording_path(self.state.folder, digest)
        if not path.exists():
            raise InputError("that recording was not kept by this program; look where it was taken")
        return FileResponse(path, media_type="application/octet-stream", filename=f"{digest[:12]}.wav")
