"""What every page and every request share: plain answers for people, numbers read with care."""

from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from fluewright.errors import FluewrightError, InputError
from fluewright.pictures.palette import Theme
from fluewright.web.faults import answer_to, status_of, words_of
from fluewright.web.request_json import read_json

__all__ = [
    "Handler", "Page", "body", "called", "number", "page_or_missing", "plain", "received", "sentence", "sizes", "theme",
    "width_mm", "words",
]  # fmt: skip

Handler = Callable[[Request], Awaitable[Response]]
Page = Callable[..., HTMLResponse]


def plain(handler: Handler) -> Handler:
    """Turn errors that are meant for people into a plain answer."""

    async def safe(request: Request) -> Response:
        try:
            return await handler(request)
        except (FluewrightError, OSError) as error:
            answer = answer_to(error)
            if answer is None:
                raise
            return answer

    return safe


async def body(request: Request) -> dict[str, Any]:
    """Return the JSON object of a request.

    Raises
    ------
    InputError
        It is none.
    """
    found = read_json(await request.body())
    if not isinstance(found, dict):
        raise InputError("the request is no JSON object")
    return found


def sizes(given: Any) -> dict[str, float]:
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


def number(given: Any, what: str) -> float | None:
    """Return a number of a request, None where it is empty.

    Raises
    ------
    InputError
        It is no number.
    """
    if given is None or given == "":
        return None
    if isinstance(given, bool) or not isinstance(given, int | float) or given != given:
        raise InputError(f"{what}: {str(given)[:40]} is no number")
    if not abs(given) < 1e9:
        raise InputError(f"{what}: {given:g} cannot be meant; give a number under 1e9")
    return float(given)


def sentence(text: str) -> str:
    """Return a remark as a sentence."""
    text = text.strip()
    return f"{text[:1].upper()}{text[1:].rstrip('.')}." if text else ""


def theme(request: Request) -> Theme:
    """Return the colours that a page asks for."""
    return "dark" if request.query_params.get("theme") == "dark" else "light"


@contextmanager
def called(path: Path, name: str) -> Iterator[None]:
    """Let messages speak of a file by the name it was sent under, not by where it lies here.

    Raises
    ------
    FluewrightError
        What is raised inside, of its own kind, with the other name.
    """
    try:
        yield
    except FluewrightError as error:
        said = str(error).replace(str(path), name).replace(path.name, name)
        raise type(error)(said) from error


def width_mm(request: Request) -> float:
    """Return how wide a drawing the page asks for, mm: 90 on a narrow screen, else 180."""
    return 90.0 if request.query_params.get("wide") == "90" else 180.0


def page_or_missing(handler: Handler, page: Page) -> Handler:
    """Answer with the page for what is missing, and why, where a page cannot be shown."""

    async def safe(request: Request) -> Response:
        try:
            return await handler(request)
        except (FluewrightError, OSError) as error:
            status = status_of(error)
            if status == 500:
                raise
            answer = page("missing.html", why=words_of(error))
            answer.status_code = 404 if isinstance(error, FluewrightError) and status < 500 else status
            return answer

    return safe


def words(given: Any, what: str, longest: int = 200) -> str:
    """Return a short text of a request.

    Raises
    ------
    InputError
        It is no text, or too long.
    """
    if given is None:
        return ""
    if not isinstance(given, str):
        raise InputError(f"{what}: {str(given)[:40]} is no text")
    if len(given) > longest:
        raise InputError(f"{what}: {len(given)} letters; write at most {longest}")
    return given.strip()


async def received(request: Request, folder: Path, kinds: tuple[str, ...]) -> tuple[Path, str]:
    """Write the body of a request to a file in a folder and return (path, the name it was sent under).

    Parameters
    ----------
    request : Request
        Its query holds `name`.
    folder : Path
    kinds : tuple of str
        Endings that are kept, so that a reader knows the kind; the first stands for all others.
    """
    name = Path(request.query_params.get("name", "file")).name[:80] or "file"
    ending = Path(name).suffix.lower()
    path = folder / f"received{ending if ending in kinds else kinds[0]}"
    with path.open("wb") as stream:
        async for part in request.stream():
            stream.write(part)
    return path, name
