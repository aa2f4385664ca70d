"""A number is rounded once, for show, and the same number always shows the same digits."""

import json
import math
from decimal import ROUND_HALF_EVEN, Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tiltwright.output.numbers import fixed, length


@given(st.integers(-(10**9), 10**9), st.sampled_from([3, 4]))
def test_a_tie_goes_to_the_even_digit_whatever_the_last_bits_are(count, decimals):
    """The tie itself and its neighbours by many last bits, as sums taken in another order leave them."""
    tie = Decimal(2 * count + 1).scaleb(-decimals - 1) * 5
    expected = f"{tie.quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_EVEN):f}"
    near = float(tie)
    for value in (near, math.nextafter(near, math.inf), near + 3e-10, near - 3e-10):
        if abs(near) < 1e5:
            assert float(fixed(value, decimals)) == float(expected)


@given(st.floats(-1e5, 1e5))
def test_what_is_shown_is_within_half_a_digit(value):
    assert abs(Decimal(fixed(value, 3)) - Decimal(value)) <= Decimal("0.0005") + Decimal("1e-9")


@pytest.mark.parametrize("inches", [0.00005, 1.00015, -7.43255, 15.90005])
def test_inches_round_alike_from_either_side_of_a_tie(inches):
    mm = inches * 25.4
    shown = {
        length(value, "inch") for value in (mm, np.nextafter(mm, 1e9), np.nextafter(mm, -1e9), mm + 2e-10)
    }
    assert len(shown) == 1


def test_no_minus_before_a_zero_and_no_number_that_is_none():
    assert fixed(-0.0004, 3) == "0.000"
    assert fixed(math.nan, 3) == "nan"
    assert fixed(-math.inf, 2) == "-inf"
    assert fixed(1e20, 1) == "100000000000000000000.0"


def test_an_inch_that_was_typed_comes_out_as_it_was(run, job):
    path = job(
        'name = "x"\nunits = "inch"\nmachine = "teaching_mill.toml"\n[[stack]]\nname = "post"\nup = 3.0\n'
        '[[operation]]\nname = "top"\nat = { A = 0, C = 0 }\norigin = [0.75, 0.7, -1.1]\n'
    )
    (one,) = json.loads(run("offsets", path, "--json").out)["operations"]
    assert one["origin"] == [0.75, 0.7, -1.1]
    assert ",0.75,0.7,-1.1" in run("offsets", path, "--csv").out
