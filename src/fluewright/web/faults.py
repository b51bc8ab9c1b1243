"""What goes wrong behind a page, as an answer: status, words for a person, a reference for what nobody foresaw."""

import errno
import html
import logging
import secrets
import sqlite3
from collections.abc import Iterator

from starlette.requests import ClientDisconnect
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from fluewright.errors import FluewrightError, InputError
from fluewright.web.field_words import field_words

__all__ = ["LastGuard", "answer_to", "status_of", "words_of"]

_log = logging.getLogger(__name__)
_FULL = (errno.ENOSPC, errno.EDQUOT)
# Without room SQLite cannot even make the file through which a ledger's readers and writers see each other.
_SQL_FULL = (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR_SHMSIZE)
_REFUSED = (errno.EACCES, errno.EPERM, errno.EROFS, errno.EIO, errno.EMFILE, errno.ENFILE)


def status_of(error: BaseException) -> int:
    """Return the status of the answer to an error; 500 for one that nobody foresaw."""
    if any(_is_full(one) for one in _chain(error)):
        return 507
    if isinstance(error, InputError):
        return 400
    if isinstance(error, FluewrightError):
        return 422
    if isinstance(error, OSError) and error.errno in _REFUSED:
        return 503
    return 500


def words_of(error: BaseException) -> str:
    """Return what to tell a person of an error that was foreseen."""
    # A name on the disk may hold bytes that no answer can be written in.
    return _words_of(error).encode("utf-8", "replace").decode()


def _words_of(error: BaseException) -> str:
    if isinstance(error, InputError):
        return error.worded(field_words)
    if isinstance(error, FluewrightError):
        return str(error)
    if status_of(error) == 507:
        return "the disk is full: free some room and do it again; what was kept before is still there"
    said = error.strerror if isinstance(error, OSError) else None
    return f"the computer refused it ({said}): check the disk and the rights of the ledger's folder, then do it again"


def answer_to(error: BaseException) -> JSONResponse | None:
    """Return the answer to an error that was foreseen, None for any other."""
    status = status_of(error)
    return None if status == 500 else JSONResponse({"fault": words_of(error)}, status)


def _chain(error: BaseException) -> Iterator[BaseException]:
    seen: BaseException | None = error
    for _ in range(20):
        if seen is None:
            return
        yield seen
        seen = seen.__cause__ or seen.__context__


def _is_full(error: BaseException) -> bool:
    if isinstance(error, sqlite3.Error):
        return getattr(error, "sqlite_errorcode", None) in _SQL_FULL
    return isinstance(error, OSError) and error.errno in _FULL


class LastGuard:
    """ASGI middleware that turns an error which nobody foresaw into words with a reference; the rest goes to the log.

    Parameters
    ----------
    app : ASGI app
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on and answer for what fails."""
        started = False

        async def watched(message: Message) -> None:
            nonlocal started
            started = started or message["type"] in ("http.response.start", "websocket.accept", "websocket.close")
            await send(message)

        try:
            await self.app(scope, receive, watched)
        except ClientDisconnect:
            return
        except Exception as error:
            await self._answer(error, scope, receive, send, started=started)

    async def _answer(self, error: Exception, scope: Scope, receive: Receive, send: Send, *, started: bool) -> None:
        status = status_of(error)
        words = words_of(error) if status != 500 else ""
        if not words:
            reference = secrets.token_hex(4)
            _log.error("%s: %s %.200r failed", reference, scope.get("method", "socket"), scope["path"], exc_info=error)
            words = (
                "this went wrong by a fault of the program, and it was not foreseen; look at the page again to see "
                f"what was kept. Reference {reference}: the program's output says more beside it"
            )
        if scope["type"] == "websocket":
            if not started:
                await send({"type": "websocket.close", "code": 1011, "reason": words[:120]})
        elif not started:
            await _as_asked(scope, words, status)(scope, receive, send)


def _as_asked(scope: Scope, words: str, status: int) -> Response:
    if scope["path"].startswith("/api/"):
        return JSONResponse({"fault": words}, status)
    said = html.escape(f"{words[:1].upper()}{words[1:].rstrip('.')}.")
    return HTMLResponse(
        '<!doctype html><html lang="en"><meta charset="utf-8"><title>It failed - fluewright</title>'
        f'<link rel="stylesheet" href="/static/look.css"><main><h1>This failed</h1><p>{said}</p>'
        '<p><a href="/bench">To the bench</a></p></main></html>',
        status,
    )
