"""Masses, forces and torques: every spelling of a unit that people type, and hints that a keyboard can write."""

import pytest

from tiltwright.files.quantity import DENSITY, FORCE, MASS, MODULUS, TORQUE, parse_quantity
from tiltwright.files.solid_tables import MATERIALS

# The pound is 0.45359237 kg and the inch 25.4 mm (yard and pound agreement of 1959), standard gravity 9.80665 m/s2.
FOOT_POUND = 0.45359237 * 9.80665 * 0.3048


@pytest.mark.parametrize(
    "text",
    [
        "10 ft-lb",
        "10 ft·lb",
        "10 lbf ft",
        "10 lb-ft",
        "10 lbf·ft",
        "10 ft lb",
        "10 ft-lbf",
        "10 lb ft",
        "10ft-lb",
    ],
)
def test_foot_pounds_by_every_name(text):
    assert parse_quantity(text, TORQUE) == pytest.approx(10 * FOOT_POUND, rel=1e-15)


@pytest.mark.parametrize("text", ["120 in-lb", "120 lbf·in", "120 lbf in", "120 in·lb", "120 in-lbf"])
def test_inch_pounds_by_every_name(text):
    assert parse_quantity(text, TORQUE) == pytest.approx(10 * FOOT_POUND, rel=1e-15)


@pytest.mark.parametrize("text", ["12 N m", "12 N·m", "12 N-m", "12 Nm", " 12  Nm "])
def test_newton_metres_by_every_name(text):
    assert parse_quantity(text, TORQUE) == 12.0


def test_pounds_with_and_without_an_s():
    assert parse_quantity("3 lbs", MASS) == parse_quantity("3 lb", MASS) == 3 * 0.45359237
    assert parse_quantity("0.1 lbs/in3", DENSITY) == parse_quantity("0.1 lb/in³", DENSITY)


@pytest.mark.parametrize("units", [MASS, FORCE, TORQUE, DENSITY, MODULUS])
@pytest.mark.parametrize("text", ["", "5", "kg", "-5 kg", "0 N", "5 stone", "1,5 kg"])
def test_a_hint_can_be_typed_and_is_allowed(units, text):
    with pytest.raises(ValueError, match="number above zero") as refused:
        parse_quantity(text, units)
    hint = str(refused.value)
    assert hint.isascii()
    assert parse_quantity(hint.split('"')[1], units) > 0.0


def test_both_spellings_of_a_material_are_one():
    assert MATERIALS["aluminum"] == MATERIALS["aluminium"]
    assert MATERIALS["grey iron"] == MATERIALS["gray iron"]
