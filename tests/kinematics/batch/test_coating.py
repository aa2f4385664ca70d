"""A size cut before its coating, coated face by face, is the drawing's."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kinematics import KinematicsError
from kinematics.batch import size_before_coating


@given(
    st.floats(1.0, 200.0),
    st.floats(0.0, 0.2),
    st.floats(0.0, 1.0),
    st.sampled_from(["inside", "outside", "one face", "no"]),
)
def test_the_faces_move_out_to_the_drawing(size, thickness, outward, coated):
    cut = float(size_before_coating(size, thickness, outward, coated))
    # Two faces as cut, at -half and +half; metal inside them for a boss, outside them for a bore.
    grown = thickness * outward
    left, right = -cut / 2.0, cut / 2.0
    if coated == "inside":
        left, right = left + grown, right - grown
    elif coated in ("outside", "one face"):
        right += grown
        left -= grown if coated == "outside" else 0.0
    assert right - left == pytest.approx(size, abs=1e-9)


def test_many_sizes_at_once():
    sizes = size_before_coating([[1.0, 2.0], [3.0, 4.0]], 0.01, 1.0, "inside")
    np.testing.assert_allclose(sizes, [[1.02, 2.02], [3.02, 4.02]])
    assert size_before_coating([], 0.01, 1.0, "no").shape == (0,)


@pytest.mark.parametrize(
    ("call", "found"),
    [
        (lambda: size_before_coating(0.0, 0.01, 0.5, "inside"), "found 0"),
        (lambda: size_before_coating(1.0, -0.01, 0.5, "inside"), "-0.01"),
        (lambda: size_before_coating(1.0, 0.01, 1.5, "inside"), "1.5"),
        (lambda: size_before_coating(1.0, 0.01, 0.5, "both"), "both"),
        (lambda: size_before_coating(float("nan"), 0.01, 0.5, "no"), "NaN"),
    ],
)
def test_what_cannot_be_is_refused(call, found):
    with pytest.raises(KinematicsError, match=found):
        call()
