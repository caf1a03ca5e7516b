"""Turns what pydantic reports into sentences a person can act on."""

import difflib
from collections.abc import Iterator
from typing import get_origin

from annotated_types import Ge, Gt, Le, Lt
from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails, ValidationError

from nightloom.settings.fields import KeyPath, field_at, fields_of, model_at, plain_type
from nightloom.settings.problems import ABSENT, Problem
from nightloom.settings.table import Table
from nightloom.units import UNITS, unit_of

# Endings that people write in place of ours.
_FOREIGN_UNITS = ("_minutes", "_min", "_sec", "_seconds", "_rad", "_cm", "_km", "_degrees", "_days")


def problems_of(
    error: ValidationError, file: str, model: type[BaseModel], table: dict[str, object]
) -> list[Problem]:
    """Every problem in a file that `model` refused, in the order of the model's keys.

    `table` is what the file holds, for the names of its entries.
    """
    details = _honest(error.errors(include_url=False))
    mistaken = {
        (*detail["loc"][:-1], known)
        for detail in details
        if detail["type"] == "extra_forbidden"
        for known in _resembling(detail["loc"], model)
    }
    return [
        Problem(file, _key(detail["loc"], table), _value(detail), _allowed(detail, model))
        for detail in details
        if not (detail["type"] == "missing" and detail["loc"] in mistaken)
    ]


def _honest(details: list[ErrorDetails]) -> list[ErrorDetails]:
    """Without "too short" for a list that is so only because its entries were refused."""
    return [
        detail
        for detail in details
        if not (
            detail["type"] == "too_short" and len(detail["input"]) >= detail["ctx"]["min_length"]
        )
    ]


def _value(detail: ErrorDetails) -> object:
    return ABSENT if detail["type"] == "missing" else detail["input"]


def _allowed(detail: ErrorDetails, model: type[BaseModel]) -> str:
    place, kind = detail["loc"], detail["type"]
    match kind:
        case "extra_forbidden":
            return _unknown(place, model)
        case "value_error":
            return str(detail["ctx"]["error"])
        case "missing":
            return f"is missing; it {_rule(place, model, detail)}"
    return _rule(place, model, detail)


def _unknown(place: KeyPath, model: type[BaseModel]) -> str:
    owner, key = model_at(model, place[:-1]), str(place[-1])
    hints = owner.hints if owner and issubclass(owner, Table) else {}
    if key in hints:
        return hints[key]
    known = _resembling(place, model)
    if not known:
        names = ", ".join(list(fields_of(owner))) if owner else "none"
        return f"is not a known key; known here: {names}"
    unit = unit_of(known[0])
    return f"is not a known key; write {known[0]}{f', in {unit}' if unit else ''}"


def _resembling(place: KeyPath, model: type[BaseModel]) -> list[str]:
    """Known keys that an unknown one may stand for: the same words but the unit, or alike."""
    owner, key = model_at(model, place[:-1]), str(place[-1])
    known = list(fields_of(owner)) if owner else []
    stem = _without_unit(key)
    same = [name for name in known if _without_unit(name) == stem]
    return same or difflib.get_close_matches(key, known, n=1, cutoff=0.7)


def _without_unit(key: str) -> str:
    endings = sorted((*(f"_{unit}" for unit in UNITS), *_FOREIGN_UNITS), key=len, reverse=True)
    return next((key.removesuffix(end) for end in endings if key.endswith(end)), key)


def _rule(place: KeyPath, model: type[BaseModel], detail: ErrorDetails) -> str:
    """What may stand at a place, from the model's own bounds and description."""
    field = field_at(model, place)
    if field is None:
        return f"is not allowed: {_lower(detail['msg'])}"
    kind = plain_type(field.annotation)
    unit = unit_of(str(place[-1]))
    if detail["type"] in ("too_short", "string_too_short"):
        words = "must not be empty"
    elif kind in (int, float):
        noun = "a whole number" if kind is int else "a number"
        words = f"must be {noun}{bounds(field)}{f', in {unit}' if unit else ''}"
    elif kind is bool:
        words = "must be true or false"
    elif kind is str:
        words = "must be a text in quotes"
    elif get_origin(kind) is dict or (isinstance(kind, type) and issubclass(kind, BaseModel)):
        words = "must be a table"
    elif detail["type"] in ("missing", "tuple_type") and get_origin(kind) is tuple:
        words = "must be a list"
    elif detail["type"] == "missing":
        words = "must be given"
    elif detail["type"] == "literal_error":
        words = f"must be {detail['ctx']['expected']}"
    else:
        words = f"is not allowed: {_lower(detail['msg'])}"
    return f"{words} ({reason_of(field)})" if field.description else words


def reason_of(field: FieldInfo) -> str:
    """A field's description on one line, and as no sentence of its own."""
    return _lower(" ".join((field.description or "").split()).removesuffix("."))


def bounds(field: FieldInfo) -> str:
    """The field's bounds in words, with a blank before them; empty when it has none."""
    low = high = ""
    for bound in field.metadata:
        match bound:
            case Ge():
                low = f"from {bound.ge:g}"
            case Gt():
                low = f"above {bound.gt:g}"
            case Le():
                high = f"to {bound.le:g}" if low.startswith("from") else f"up to {bound.le:g}"
            case Lt():
                high = f"below {bound.lt:g}"
    return "".join(f" {words}" for words in (low, high) if words)


def _key(place: KeyPath, table: object) -> str:
    """A place as a person would write it, an entry of a list by its name."""
    return ".".join(_steps(place, table)).replace(".[", "[")


def _steps(place: KeyPath, table: object) -> Iterator[str]:
    for step in place:
        if isinstance(step, int) and isinstance(table, dict):  # a single table that may be a list
            continue
        table = _inner(table, step)
        if isinstance(step, int):
            name = table.get("name") if isinstance(table, dict) else None
            yield f'["{name}"]' if isinstance(name, str) else f"[{step + 1}]"
        else:
            yield step


def _inner(table: object, step: int | str) -> object:
    """What a table or a list holds there; None where it holds nothing."""
    match table:
        case dict():
            return table.get(step)
        case list() if isinstance(step, int) and step < len(table):
            return table[step]
    return None


def _lower(sentence: str) -> str:
    """With a small letter first, unless it begins with an abbreviation, such as INDI."""
    return sentence if sentence[1:2].isupper() else sentence[:1].lower() + sentence[1:]
