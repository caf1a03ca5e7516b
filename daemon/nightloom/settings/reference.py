"""The reference of the configuration, from its models: every key of every file, as Markdown."""

import inspect
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Literal, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from nightloom.settings.fields import fields_of, plain_type
from nightloom.settings.observatory import Observatory
from nightloom.settings.policies import Policies
from nightloom.settings.table import Table
from nightloom.settings.targets import Targets
from nightloom.settings.translate import bounds, reason_of
from nightloom.units import unit_of
from nightloom_drivers.rig_settings import RigSettings

FILES: tuple[tuple[str, type[BaseModel]], ...] = (
    ("observatory.toml", Observatory),
    ("targets.toml", Targets),
    ("policies.toml", Policies),
    ("rig.toml", RigSettings),
)
"""Every file of a configuration, and the model that reads it."""

HEAD = """# Every key of the configuration

Made from the models by `python -m nightloom.reference`; change those, not this. A key's last word
is its unit. One without a default must be given; where the default is "none", leaving it out means
what its reason says. `[x]` is a table, `[[x]]` one of several, NAME a name of your own.
"""

TABLE = "| key | type | unit | may be | default | reason |\n| --- | --- | --- | --- | --- | --- |"

TYPES = {int: "whole number", float: "number", bool: "true or false", str: "text", Path: "path"}


def describe_settings() -> str:
    """A Markdown section for each table of each file, with a line for each key."""
    parts = ["\n\n".join([f"## {file}", *_tables(model, "", "")]) for file, model in FILES]
    return "\n\n".join([HEAD.rstrip(), *parts]) + "\n"


def _tables(model: type[BaseModel], place: str, reason: str) -> Iterator[str]:
    """A table's own keys, then the tables inside it; `place` is where it stands in its file, and
    `reason` why it stands there.
    """
    fields = fields_of(model)
    inner = {key: _inner(field) for key, field in fields.items()}
    rows = [*_instead(model), *(_row(key, fields[key]) for key in fields if inner[key] is None)]
    parts = [f"### {_bracketed(place)}"] if place else []
    parts += [f"{reason[:1].upper()}{reason[1:]}."] if reason else []
    parts += [inspect.cleandoc(model.__doc__ or "")]
    parts += ["\n".join([TABLE, *rows])] if rows else []
    yield "\n\n".join(parts)
    for key, table in inner.items():
        if table is not None:
            kind, many = table
            there = f"{place}.{key}{many}" if place else f"{key}{many}"
            yield from _tables(kind, there, reason_of(fields[key]))


def _inner(field: FieldInfo) -> tuple[type[BaseModel], str] | None:
    """The model of a key that is a table, and what stands behind the key where there are many."""
    kind = plain_type(field.annotation)
    many = ""
    if get_origin(kind) is dict:
        kind, many = plain_type(get_args(kind)[1]), ".NAME"
    elif get_origin(kind) is tuple and isinstance(get_args(kind)[0], type):
        kind, many = get_args(kind)[0], "[]"
    return (kind, many) if isinstance(kind, type) and issubclass(kind, BaseModel) else None


def _bracketed(place: str) -> str:
    """A place as it stands above its table: doubly bracketed where it is one of several."""
    bare = place.replace("[]", "")
    return f"`[[{bare}]]`" if place.endswith("[]") else f"`[{bare}]`"


def _instead(model: type[BaseModel]) -> Iterator[str]:
    """What may be written in place of a key, where the model knows of something."""
    for key, hint in (model.hints if issubclass(model, Table) else {}).items():
        yield _line(f"`{key}`", "text", "", f"{hint}", "", "in place of the number")


def _row(key: str, field: FieldInfo) -> str:
    kind = plain_type(field.annotation)
    unit = unit_of(key) or ""
    return _line(
        f"`{key}`", _type(kind), unit, _may_be(kind, field), _default(field), reason_of(field)
    )


def _line(*cells: str | None) -> str:
    return "| " + " | ".join((cell or "").replace("|", "\\|") for cell in cells) + " |"


def _type(kind: object) -> str:
    if get_origin(kind) is Literal:
        return "text"
    parts = get_args(kind)
    if get_origin(kind) is tuple and len(parts) == 2 and parts[1] is not Ellipsis:
        return f"[{', '.join(map(_type, parts))}]"
    if get_origin(kind) is tuple:
        return f"list of {_type(parts[0])}"
    return TYPES.get(kind, "table") if isinstance(kind, type) else "table"


def _may_be(kind: object, field: FieldInfo) -> str:
    """Its bounds, or the texts that it may be."""
    if get_origin(kind) is Literal:
        return " or ".join(f'`"{one}"`' for one in get_args(kind))
    filled = any(getattr(one, "min_length", 0) for one in field.metadata)
    return "not empty" if filled else bounds(field).strip()


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return ""
    default = field.get_default(call_default_factory=True)
    return "none" if default is None else f"`{json.dumps(default, default=str)}`"
