"""The two units: 25.4 mm to the inch, exactly (yard and pound agreement of 1959, from memory)."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tiltwright.files.units import Unit

LENGTHS = st.floats(-1e6, 1e6)


@given(LENGTHS)
def test_millimetres_stay_as_they_are(length: float) -> None:
    assert Unit.MM.to_mm(length) == length
    assert Unit.MM.from_mm(length) == length


@given(LENGTHS.filter(lambda length: length == 0 or abs(length) > 1e-300))
def test_inches_to_the_last_bit(length: float) -> None:
    """No more than the rounding of 25.4 and of one product, 2**-52 of the value."""
    exact = Fraction(length) * Fraction(254, 10)
    assert abs(Fraction(Unit.INCH.to_mm(length)) - exact) <= abs(exact) * Fraction(2) ** -52


@given(LENGTHS.filter(lambda length: length == 0 or abs(length) > 1e-300))
def test_there_and_back(length: float) -> None:
    assert Unit.INCH.from_mm(Unit.INCH.to_mm(length)) == pytest.approx(length, rel=2**-51, abs=0)


def test_names() -> None:
    assert {unit.value for unit in Unit} == {"mm", "inch"}
    with pytest.raises(ValueError, match="inches"):
        Unit("inches")
