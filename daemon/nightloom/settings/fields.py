"""Finding one's way in a settings model by the place of a value in its file."""

from types import UnionType
from typing import Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

KeyPath = tuple[int | str, ...]
"""Keys and list positions from the top of a file to a value, as pydantic reports them."""


def field_at(model: type[BaseModel], place: KeyPath) -> FieldInfo | None:
    """The field of a model that a place in its data belongs to; None inside lists and maps."""
    owner = model_at(model, place[:-1]) if place else None
    return fields_of(owner).get(str(place[-1])) if owner else None


def model_at(model: type[BaseModel], place: KeyPath) -> type[BaseModel] | None:
    """The model of the table at a place, or None where there is none."""
    kind: object = model
    for step in place:
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            field = fields_of(kind).get(str(step))
            kind = plain_type(field.annotation) if field else None
        elif get_origin(kind) is dict:
            kind = plain_type(get_args(kind)[1])
        elif get_origin(kind) is tuple:
            kind = plain_type(get_args(kind)[0])
        else:
            return None
    return kind if isinstance(kind, type) and issubclass(kind, BaseModel) else None


def fields_of(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """Fields by the name they have in a file."""
    return {
        str(field.validation_alias or name): field for name, field in model.model_fields.items()
    }


def plain_type(annotation: object) -> object:
    """An annotation without its `| None`."""
    if get_origin(annotation) in (Union, UnionType):
        return next(part for part in get_args(annotation) if part is not type(None))
    return annotation
