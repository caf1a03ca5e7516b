"""The reference of the configuration and the catalogue of events say what the models say."""

import re

from pydantic import BaseModel

from nightloom.reference import references
from nightloom.settings.fields import fields_of
from nightloom.settings.reference import FILES, describe_settings
from nightloom.units import unit_of


def test_the_references_in_the_tree_are_what_the_models_give() -> None:
    """`python -m nightloom.reference` writes them anew."""
    for file, text in references().items():
        assert file.read_text() == text, f"{file.name}: run python -m nightloom.reference"


def models(model: type[BaseModel]) -> set[type[BaseModel]]:
    """A model and all that stand in its fields, found by their annotations as text."""
    found = {model}
    for field in model.model_fields.values():
        kinds, todo = [], [field.annotation]
        while todo:
            kind: object = todo.pop()
            kinds.append(kind)
            todo += getattr(kind, "__args__", ())
        for kind in kinds:
            if isinstance(kind, type) and issubclass(kind, BaseModel) and kind not in found:
                found |= models(kind)
    return found


def test_every_key_of_every_file_has_its_line_with_a_reason() -> None:
    text = describe_settings()
    lines = [line for line in text.splitlines() if line.startswith("| `")]
    for _, top in FILES:
        for model in models(top):
            for key, field in fields_of(model).items():
                assert field.description, f"{model.__name__}.{key}"
                stands = f"| `{key}` |" in text or re.search(rf"### `\[+([\w.]+\.)?{key}\b", text)
                assert stands, f"{model.__name__}.{key}"
    assert all(re.search(r"\w[^|]* \|$", line) for line in lines), "a reason each"


def test_a_line_has_type_unit_bounds_default_and_reason() -> None:
    lines = describe_settings().splitlines()
    assert (
        "| `latitude_deg` | number | degrees | from -90 to 90 |  | geodetic latitude, north"
        " positive |" in lines
    )
    assert (
        "| `slope_steps_per_c` | number | focuser steps a degree Celsius |  | `0.0` | shift of"
        " focus for each degree that it warms, until it is learned |" in lines
    )
    assert "### `[target.filter.NAME]`" in lines
    assert "### `[[target.group]]`" in lines


def test_the_unit_is_the_last_word_of_a_name() -> None:
    assert unit_of("exposure_s") == "seconds"
    assert unit_of("gain_e_per_adu") == "electrons an ADU"
    assert unit_of("cooling_ramp_c_per_min") == "degrees Celsius a minute"
    assert unit_of("s") is None
    assert unit_of("false_alarms_per_night") is None
