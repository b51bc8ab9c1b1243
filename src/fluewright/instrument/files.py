"""Reads a model from a TOML file and writes it back, comments kept and every fault named."""

import difflib
import itertools
import json
import typing
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from fluewright.errors import InputError, ModelError
from fluewright.files import read_text, write_whole
from fluewright.instrument.model import Model
from fluewright.plain_text import one_line
from fluewright.toml_text import toml_data

__all__ = [
    "LARGEST_BYTES",
    "model_from_text",
    "model_schema",
    "model_text",
    "read_model",
    "validate_model",
    "write_model",
    "write_schema",
]

LARGEST_BYTES: Final = 1 << 18
"""Of a model file."""
_MOST_FAULTS: Final = 20


def read_model(path: Path | str) -> Model:
    """Read and validate one model file.

    Parameters
    ----------
    path : path
        A TOML file of format ``fluewright-model/1``, at most 256 KiB.

    Raises
    ------
    ModelError
        When the file is missing, too large, no TOML, or describes an impossible model; all faults are listed.
    """
    path = Path(path)
    try:
        text = read_text(path, "a model file", most_bytes=LARGEST_BYTES)
    except InputError as error:
        missing = isinstance(error.__cause__, FileNotFoundError)
        raise ModelError(f"{error}{_neighbours(path) if missing else ''}") from None
    return model_from_text(text, place=str(path))


def _neighbours(path: Path) -> str:
    try:
        names = [entry.name for entry in path.parent.iterdir() if entry.suffix == ".toml"]
    except OSError:
        return ""
    near = difflib.get_close_matches(path.name, names, n=3)
    return f" (near it: {', '.join(near)})" if near else ""


def model_from_text(text: str, *, place: str = "model") -> Model:
    """Validate the TOML text of a model; ``place`` names it in messages.

    Raises
    ------
    ModelError
        When the text is no TOML or describes an impossible model; all faults are listed.
    """
    try:
        data = toml_data(text)
    except InputError as error:
        raise ModelError(f"{place}: {error}") from None
    return validate_model(data, place=place)


def validate_model(data: Mapping[str, Any], *, place: str = "model") -> Model:
    """Build a model from plain data, with every fault in one message.

    Raises
    ------
    ModelError
        When the data describe no possible model.
    """
    if "format" not in data:
        raise ModelError(
            f'{place}: there is no format; a model file begins with the line format = "fluewright-model/1"'
        )
    try:
        return Model.model_validate(dict(data))
    except ValidationError as error:
        raise ModelError(_listed(place, error, data)) from None


def _listed(place: str, error: ValidationError, data: Mapping[str, Any]) -> str:
    """Return one message of all faults; the first of them where there are very many."""
    told = dict.fromkeys(itertools.islice(_faults(error, data), 10 * _MOST_FAULTS))
    faults = list(told)
    if len(faults) == 1:
        return f"{place}: {faults[0]}"
    lines = [f"  {number}. {fault}" for number, fault in enumerate(faults[:_MOST_FAULTS], start=1)]
    if len(faults) > _MOST_FAULTS:
        return "\n".join([f"{place}: more than {_MOST_FAULTS} faults, among them", *lines])
    return "\n".join([f"{place}: {len(faults)} faults", *lines])


def _faults(error: ValidationError, data: Mapping[str, Any]) -> Iterable[str]:
    details = error.errors(include_url=False)
    for detail in details:
        if _echo(detail, details):
            continue
        if detail["type"] == "impossible":
            yield from detail["ctx"]["faults"]
        else:
            yield _fault(detail, data)


def _echo(detail: ErrorDetails, details: list[ErrorDetails]) -> bool:
    """Return whether a fault only repeats another: a list short of faulty entries, a branch not meant."""
    loc, kind, given = detail["loc"], detail["type"], detail["input"]
    if kind == "too_short" and len(given) > detail["ctx"]["actual_length"]:
        return any(other is not detail and other["loc"][: len(loc)] == loc for other in details)
    if loc[:1] == ("fingerings",):
        # A fingering is a text or a list of texts; only the branch that fits what was written counts.
        if kind == "string_type" and loc[-1] == "str":
            return isinstance(given, list | tuple)
        return kind == "tuple_type"
    return False


def _place(loc: tuple[int | str, ...], data: Mapping[str, Any]) -> str:
    """Write where a fault is, counting from 1 and naming holes: ``holes.3 (name "3"): position_mm``."""
    words: list[str] = []
    node: Any = data
    text = ""
    # Pydantic adds the branch of a union and "[key]" for a key; neither stands in the file.
    for part in loc:
        if isinstance(part, str) and (part in ("[key]", "str") or part.startswith(("tuple[", "constrained"))):
            continue
        if isinstance(part, int):
            words.append(str(part + 1))
            node = node[part] if isinstance(node, list | tuple) and part < len(node) else None
            name = node.get("name") if isinstance(node, Mapping) else None
            if words[0] == "holes" and len(words) == 2 and isinstance(name, str):
                text = f'{".".join(words)} (name "{one_line(name, 60)}"): '
                words = []
        else:
            words.append(one_line(part, 60))
            node = node.get(part) if isinstance(node, Mapping) else None
    return f"{text}{'.'.join(words)}".removesuffix(": ")


def _shown(value: Any) -> str:
    if isinstance(value, str):
        return f'"{one_line(value, 60)}"'
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list | tuple):
        text = str(list(value))
        return text if len(text) <= 60 else "a list"
    if isinstance(value, int):
        return str(value) if abs(value) < 10**30 else "a number of more than 30 digits"
    return str(value)


def _fault(detail: ErrorDetails, data: Mapping[str, Any]) -> str:
    kind, where, given = detail["type"], _place(detail["loc"], data), _shown(detail["input"])
    ctx = detail.get("ctx", {})
    last = str(detail["loc"][-1]) if detail["loc"] else ""
    if kind == "extra_forbidden":
        keys = _keys_at(detail["loc"][:-1])
        near = difflib.get_close_matches(last, keys, n=1)
        mend = f"did you mean {near[0]}?" if near else f"the keys here are {', '.join(keys)}"
        return f"{where}: unknown key; {mend}"
    if kind == "missing":
        return f"{where}: is missing; add it"
    if kind == "finite_number":
        return f"{where} is {given}; give a finite number"
    if kind in ("float_type", "float_parsing", "int_type"):
        mend = "leave out the quotes" if isinstance(detail["input"], str) else "write a plain number"
        return f"{where} is {given}, not a number; {mend}"
    bounds = {
        "greater_than": ("gt", "must be more than", "enlarge it"),
        "greater_than_equal": ("ge", "must not be less than", "enlarge it"),
        "less_than": ("lt", "must be less than", "make it smaller"),
        "less_than_equal": ("le", "must not be more than", "make it smaller"),
    }
    if kind in bounds:
        key, rule, mend = bounds[kind]
        return f"{where} is {given}, but {rule} {ctx[key]:g}; {mend}"
    if kind == "literal_error":
        return f"{where} is {given}; use one of {str(ctx['expected']).replace(chr(39), chr(34))}"
    if kind == "string_type":
        return f"{where} is {given}, not a text; put it in quotes"
    if kind == "string_pattern_mismatch" and detail["loc"][0] == "fingerings":
        return f"{where}: unknown key; registers are written register_1, register_2, ... register_9"
    if kind in ("string_pattern_mismatch", "string_too_short"):
        return f"{where} is {given}; write a text that neither is empty nor begins or ends with a space"
    if kind == "string_too_long":
        return f"{where} is too long; shorten it to {ctx['max_length']} letters"
    if kind in ("model_type", "model_attributes_type", "dict_type"):
        return f"{where} is {given}, not a table; write it as [{where}]"
    if kind == "tuple_type":
        return f"{where} is {given}, not a list; put the values in [ ]"
    if kind in ("too_short", "too_long"):
        rule = f"at least {ctx['min_length']}" if kind == "too_short" else f"at most {ctx['max_length']}"
        return f"{where} has {_entries(ctx['actual_length'])}; give {rule}"
    if kind == "value_error":
        return f"{where}: {ctx['error']}"
    return f"{where} is {given}: {detail['msg']}"


def _entries(count: int) -> str:
    return "no entries" if count == 0 else "1 entry" if count == 1 else f"{count} entries"


def _keys_at(loc: tuple[int | str, ...]) -> list[str]:
    """Return the keys that the model has at a place."""
    kind: Any = Model
    for part in loc:
        if isinstance(part, int):
            continue
        field = kind.model_fields.get(part) if hasattr(kind, "model_fields") else None
        kind = _model_within(field.annotation) if field is not None else None
        if kind is None:
            return []
    return list(kind.model_fields)


def _model_within(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in typing.get_args(annotation):
        found = _model_within(inner)
        if found is not None:
            return found
    return None


def _plain(model: BaseModel) -> dict[str, Any]:
    """Return the model as TOML values: nothing absent, lists for tuples."""
    plain: dict[str, Any] = model.model_dump(mode="json", exclude_none=True)
    return plain


def _is_default(model: BaseModel, key: str, value: Any) -> bool:
    field = type(model).model_fields[key]
    return not field.is_required() and value == field.get_default(call_default_factory=True)


def _same(first: Any, second: Any) -> bool:
    if isinstance(first, bool) or isinstance(second, bool):
        return first is second
    if isinstance(first, int | float) and isinstance(second, int | float):
        return float(first) == float(second)
    if isinstance(first, list) and isinstance(second, list):
        return len(first) == len(second) and all(_same(a, b) for a, b in zip(first, second, strict=True))
    if isinstance(first, Mapping) and isinstance(second, Mapping):
        return first.keys() == second.keys() and all(_same(first[key], second[key]) for key in first)
    return bool(first == second)


def model_text(model: Model) -> str:
    """Return the model as the text of a TOML file, every key written out."""
    import tomlkit

    document = tomlkit.document()
    _fill(document, _plain(model))
    return tomlkit.dumps(document)


def _fill(table: Any, plain: Mapping[str, Any]) -> None:
    import tomlkit

    for key, value in plain.items():
        if isinstance(value, dict):
            if value:
                inner = tomlkit.table()
                _fill(inner, value)
                table.add(key, inner)
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            table.add(key, _table_list(value))
        elif value != []:
            table.add(key, _list_item(value) if isinstance(value, list) else value)


def _table_list(rows: list[dict[str, Any]]) -> Any:
    import tomlkit

    tables = tomlkit.aot()
    for row in rows:
        inner = tomlkit.table()
        _fill(inner, row)
        tables.append(inner)
    return tables


def _list_item(values: list[Any]) -> Any:
    import tomlkit

    item = tomlkit.item(values)
    if len(values) > 2 and isinstance(values[0], list):
        item.multiline(True)
    return item


def _merge(table: Any, plain: Mapping[str, Any], source: BaseModel | None) -> None:
    """Bring ``table`` (of an existing document) to ``plain``, touching only what differs."""
    import tomlkit

    for key in [key for key in table if key not in plain]:
        del table[key]
    for key, value in plain.items():
        part = getattr(source, key) if source is not None else None
        if key not in table:
            if source is not None and _is_default(source, key, part):
                continue
            _fill(table, {key: value})
            continue
        present = table[key]
        if _same(tomlkit.item(present).unwrap(), value):
            continue
        if isinstance(value, dict) and isinstance(present, Mapping):
            _merge(present, value, part if isinstance(part, BaseModel) else None)
        elif isinstance(value, list) and isinstance(present, list) and len(present) == len(value) and value:
            _merge_list(present, value, part)
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            table[key] = _table_list(value)
        else:
            table[key] = _list_item(value) if isinstance(value, list) else value


def _merge_list(present: Any, value: list[Any], part: Any) -> None:
    import tomlkit

    for index, wanted in enumerate(value):
        old = present[index]
        if _same(tomlkit.item(old).unwrap(), wanted):
            continue
        if isinstance(wanted, dict):
            _merge(old, wanted, part[index])
        else:
            present[index] = wanted


def write_model(model: Model, path: Path | str, *, like: Path | str | None = None) -> None:
    """Write a model file, at once or not at all.

    Comments, order and layout of ``like`` (or of the file that is already at ``path``) stay; only values
    that differ
    are rewritten. Reading the file gives an equal model.

    Raises
    ------
    ModelError
        When the place cannot be written, or the present file is no TOML.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    path = Path(path)
    if path.is_dir():
        raise ModelError(f"{path}: is a folder; name a file in it")
    pattern = Path(like) if like is not None else path
    if like is not None or path.exists():
        try:
            present = read_text(pattern, "a model file", most_bytes=LARGEST_BYTES)
            toml_data(present)
            document = tomlkit.parse(present)
        except (InputError, TOMLKitError, ValueError) as error:
            problem = str(error).removeprefix(f"{pattern}: ")
            raise ModelError(
                f"{pattern}: {problem}; comments and order are taken from it: mend it or write to another file"
            ) from None
        _merge(document, _plain(model), model)
        text = tomlkit.dumps(document)
        if model_from_text(text, place=str(path)) != model:
            # A layout that cannot be kept must never change the model: write it plainly instead.
            text = model_text(model)
    else:
        text = model_text(model)
    _replace(path, text)


def _replace(path: Path, text: str) -> None:
    try:
        write_whole(path, text, mode=path.stat().st_mode & 0o777 if path.is_file() else 0o644)
    except InputError as error:
        raise ModelError(str(error)) from None


def model_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a model file."""
    schema = Model.model_json_schema()
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **schema,
        "title": "fluewright model",
    }


def write_schema(path: Path | str) -> None:
    """Write the JSON Schema of a model file to ``path``.

    Raises
    ------
    ModelError
        When the place cannot be written.
    """
    _replace(Path(path), json.dumps(model_schema(), indent=2, ensure_ascii=False) + "\n")
