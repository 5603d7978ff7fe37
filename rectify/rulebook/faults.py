"""Turns what the models say no to into errors with file, line, key and hint, all of them at once."""

from __future__ import annotations

import types
from collections.abc import Callable, Mapping
from typing import Any, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from rectify.errors import InputError, RulesError
from rectify.rulebook.words import Wrong, shown, suggest
from rectify.rulebook.yamltext import KeyPath, key_text, raise_all

__all__ = ["Place", "attempt", "checked", "model_at"]

Place = Callable[[KeyPath], tuple[str | None, int | None]]  # key path -> file, line
Model = TypeVar("Model", bound=BaseModel)


def checked(
    model: type[Model],
    data: object,
    place: Place,
    *,
    context: object = None,
    under: KeyPath = (),
    error: type[InputError] = RulesError,
) -> Model:
    """Validate plain data, or raise every fault of it: one as `error`, several as Faults.

    Parameters
    ----------
    place : where a key path stands, of the whole file
    under : the key path of `data` in that file
    """
    good, faults = attempt(model, data, place, context=context, under=under, error=error)
    raise_all(faults)
    assert good is not None
    return good


def attempt(
    model: type[Model],
    data: object,
    place: Place,
    *,
    context: object = None,
    under: KeyPath = (),
    error: type[InputError] = RulesError,
) -> tuple[Model | None, list[InputError]]:
    """As `checked`, but the faults are handed back, in the order of the file."""
    try:
        return model.model_validate(data, context=context), []
    except ValidationError as problem:
        faults = [_fault(details, data, model, place, under, error) for details in problem.errors()]
        return None, sorted(faults, key=lambda fault: (fault.path or "", fault.line or 0))


def _fault(
    details: ErrorDetails,
    data: object,
    model: type[BaseModel],
    place: Place,
    under: KeyPath,
    error: type[InputError],
) -> InputError:
    keys, found = _walk(details["loc"], data)
    problem = details.get("ctx", {}).get("error")
    if isinstance(problem, Wrong):
        keys = (*keys, *problem.keys)
        message, wanted, hint, seen = problem.message, problem.wanted, problem.hint, None
    else:
        if details["type"] == "missing":
            keys = (*keys, details["loc"][-1])
        message, wanted, hint, seen = _plain(details, found, model, keys)
    path, line = place((*under, *keys))
    key = key_text((*under, *keys)) or None
    return error(message, path=path, line=line, key=key, wanted=wanted, found=seen, hint=hint)


def _walk(loc: tuple[str | int, ...], data: object) -> tuple[KeyPath, object]:
    """The key path as the file has it: what the models put between (shorthands, unions) is left out."""
    keys: list[str | int] = []
    for part in loc:
        inside = (isinstance(data, Mapping) and part in data) or (
            isinstance(data, list) and isinstance(part, int) and part < len(data)
        )
        if inside:
            data = data[part]  # type: ignore[index]
            keys.append(part)
    return tuple(keys), data


def _plain(
    details: ErrorDetails, found: object, model: type[BaseModel], keys: KeyPath
) -> tuple[str, str | None, str | None, str | None]:
    """Message, wanted, hint, found of the models' own errors."""
    kind, ctx = details["type"], details.get("ctx", {})
    if kind == "missing":
        field = _field(model, keys)
        return "is missing", field, None, None
    if kind == "extra_forbidden":
        here = model_at(model, keys[:-1])
        known = [] if here is None else _keys_of(here)
        hint = "remove stands only in a rulebook that extends another" if keys[-1] == "remove" else None
        return "is not a key here", None, hint or suggest(str(keys[-1]), known, what="keys here"), None
    if kind == "literal_error":
        words = [word.strip("'") for word in str(ctx["expected"]).replace(" or ", ", ").split(", ")]
        return (
            f"is {shown(found)}",
            " or ".join(words),
            suggest(str(found), words, what="words") or None,
            None,
        )
    if kind in ("model_type", "model_attributes_type", "dict_type"):
        return f"is {shown(found)}", "a mapping of keys to values", None, None
    if kind in ("tuple_type", "list_type"):
        return f"is {shown(found)}", "a list: [.., ..]", None, None
    if kind in ("too_short", "too_long"):
        bound = ctx.get("min_length", ctx.get("max_length"))
        word = "at least" if kind == "too_short" else "at most"
        return f"has {ctx.get('actual_length')} entries", f"{word} {bound}", None, None
    if kind == "string_too_short":
        return "is empty", "text", None, None
    if kind in ("int_type", "bool_type", "bool_parsing"):
        return f"is {shown(found)}", "a whole number" if kind == "int_type" else "yes or no", None, None
    return f"is {shown(found)}", details["msg"][:1].lower() + details["msg"][1:], None, None


def _keys_of(model: type[BaseModel]) -> list[str]:
    return [field.alias or name for name, field in model.model_fields.items()]


def _field(model: type[BaseModel], keys: KeyPath) -> str | None:
    here = model_at(model, keys[:-1])
    if here is None:
        return None
    for name, field in here.model_fields.items():
        if (field.alias or name) == keys[-1]:
            return field.description
    return None


def model_at(model: type[BaseModel], keys: KeyPath) -> type[BaseModel] | None:
    """The model that reads what stands at a key path; None where none does."""
    here: Any = model
    for key in keys:
        here = _step(here, key)
        if here is None:
            return None
    return here if isinstance(here, type) and issubclass(here, BaseModel) else None


def _step(here: Any, key: str | int) -> Any:
    if isinstance(here, type) and issubclass(here, BaseModel):
        for name, field in here.model_fields.items():
            if (field.alias or name) == key:
                return _bare(field.annotation)
        return None
    origin, args = get_origin(here), get_args(here)
    if origin is dict:
        return _bare(args[1])
    if origin is tuple:
        return _bare(args[0])
    return None


def _bare(annotation: Any) -> Any:
    """Without Annotated and None."""
    while hasattr(annotation, "__metadata__"):
        annotation = get_args(annotation)[0]
    if get_origin(annotation) in (Union, types.UnionType):
        return next((_bare(arg) for arg in get_args(annotation) if arg is not type(None)), None)
    return annotation
