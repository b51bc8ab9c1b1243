"""What the command line calls the fields that messages speak of: options and arguments of the verb that runs."""

import functools
import inspect
from collections.abc import Callable
from typing import Any, ParamSpec, TypeVar, get_args

from typer.models import ArgumentInfo, OptionInfo

from fluewright.errors import InputError

__all__ = ["with_field_words"]

_P = ParamSpec("_P")
_R = TypeVar("_R")
# Fields of the packages whose option is called otherwise.
_OPTIONS = {"sizes": "size", "steps": "did", "event": "event_id"}


def _typed_as(verb: Callable[..., Any], name: str) -> str:
    """Return how an argument of a verb is typed: ``--temperature-c``, ``AFTER_MM``; empty where it has none."""
    parameter = inspect.signature(verb).parameters.get(name)
    if parameter is None:
        return ""
    for info in get_args(parameter.annotation):
        if isinstance(info, OptionInfo):
            return max(info.param_decls or (f"--{name.replace('_', '-')}",), key=len)
        if isinstance(info, ArgumentInfo):
            return info.metavar or name.upper()
    return ""


def _field_words(verb: Callable[..., Any], field: str) -> str:
    found = _typed_as(verb, field) or _typed_as(verb, _OPTIONS.get(field, ""))
    if found:
        return found
    # A size is named by its key wherever sizes are given.
    return f"--size {field}" if "." in field and _typed_as(verb, "size") == "--size" else field


def with_field_words(verb: Callable[_P, _R]) -> Callable[_P, _R]:
    """Return the verb with the fields of its errors called as they are typed."""

    @functools.wraps(verb)
    def worded(*args: _P.args, **kwargs: _P.kwargs) -> _R:
        try:
            return verb(*args, **kwargs)
        except InputError as error:
            if not error.field:
                raise
            raise InputError(error.worded(lambda field: _field_words(verb, field))) from error

    return worded
