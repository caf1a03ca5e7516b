"""Limits in units, and where drivers state theirs."""

import pytest

from nightloom_drivers.devices.weather_units import UNITS, Limit, stated_unit
from nightloom_drivers.link import Kind, State, Vector


@pytest.mark.parametrize(
    ("label", "number_format", "unit"),
    [
        ("Temperature (C)", "%4.2f", "c"),  # INDI's weather simulator 1.9.9, as it defines them
        ("Wind (kph)", "%4.2f", "km_h"),
        ("Gust (kph)", "%4.2f", "km_h"),
        ("Precip (mm)", "%4.2f", "mm"),
        ("Weather", "%4.2f", None),
        ("Wind Speed [m/s]", "%g", "m_s"),
        ("Humidity %", "%.1f", "percent"),
        ("Wind gust kts", "%.1f", "kn"),
        ("Wind", "%4.1f km/h", "km_h"),
        ("Humidity", "%.0f %%", "percent"),
        ("Sky minus air (°C)", "%6.2f", "c"),
        ("Sky brightness (mag/arcsec²)", "%6.2f", "mag_arcsec2"),
        ("Rain (10 min) (mm/h)", "%6.2f", "mm_h"),
        ("Plan C", "%g", None),  # one letter at the end may be anything
        ("Clouds (tenths)", "%g", None),
        ("Altitude", "%010.6m", None),
        ("", "", None),
    ],
)
def test_the_unit_of_a_parameter_is_found_where_drivers_write_it(
    label: str, number_format: str, unit: str | None
) -> None:
    assert stated_unit(label, number_format) == unit


def test_each_unit_is_found_by_each_spelling_and_no_two_share_one() -> None:
    spelled = [word.casefold() for words in UNITS.values() for word in words]
    assert len(spelled) == len(set(spelled))
    for unit, words in UNITS.items():
        assert {stated_unit(f"Anything ({word})") for word in words} == {unit}


def parameters(label: str, number_format: str = "%g") -> Vector:
    return Vector(
        "Mast", "WEATHER_PARAMETERS", Kind.NUMBER, State.OK, {"WIND": 12.0},
        labels={"WIND": label}, formats={"WIND": number_format},
    )  # fmt: skip


@pytest.mark.parametrize(
    ("label", "unit", "unfit"),
    [
        ("Wind (km/h)", "km_h", ""),
        ("Wind (km/h)", "m_s", "is measured in km/h and its limit is in m/s"),
        ("Wind (km/h)", "", "is measured in km/h and its limit is without a unit"),
        ("Wind", "m_s", ""),  # not stated: the owner is believed
        ("Wind", "", ""),
    ],
)
def test_a_limit_in_another_unit_is_unfit(label: str, unit: str, unfit: str) -> None:
    assert Limit(None, 15.0, unit).unfit_for(parameters(label), "WIND") == unfit


def test_a_limit_on_what_is_not_measured_is_unfit() -> None:
    limit = Limit(None, 15.0, "km_h")
    assert limit.unfit_for(parameters(""), "GUST") == "has a limit and is not measured"


def test_a_limit_is_broken_beyond_its_ends_and_not_at_them() -> None:
    limit = Limit(-20.0, 35.0, "c")
    assert limit.broken_by(-20.0) == limit.broken_by(35.0) == ""
    assert limit.broken_by(-20.5) == "-20.5 °C is below -20 °C"
    assert limit.broken_by(36.0) == "36 °C is above 35 °C"
    assert Limit(None, 2.0).broken_by(3.0) == "3 is above 2"
