"""Angles as text: what is read, what is refused, and that writing and reading undo each other."""

# ruff: noqa: RUF001 - the minus sign and the prime marks are meant

import math
from contextlib import suppress
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tiltwright.files.units import parse_angle


@pytest.mark.parametrize(
    ("text", "degrees"),
    [
        ("1°47'24\"", 1.79),
        ("1d 47m 24s", 1.79),
        ("1° 47′ 24″", 1.79),
        ("1º47’24”", 1.79),
        ("1°47.4'", 1.79),
        ("+1°47'24.0\"", 1.79),
        (" 90 ° ", 90.0),
        ("90d", 90.0),
        ("0.5°", 0.5),
        ("-0°30'", -0.5),
        ("−0°30'", -0.5),
        ("-0d 0m 36s", -0.01),
        ("- 12° 0' 36\"", -12.01),
        ('5°36"', 5.01),
        ("0°59'59.999\"", 0.9999997222222222),
        ("360°", 360.0),
    ],
)
def test_read(text: str, degrees: float) -> None:
    assert parse_angle(text) == degrees


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("1°60'", "minutes under 60"),
        ("1°75'", "minutes under 60"),
        ("1°0'60\"", "seconds under 60"),
        ("1.5°30'", "decimals in the last part only"),
        ("1°30.5'10\"", "decimals in the last part only"),
        *[
            (text, "degrees, minutes and seconds such as")
            for text in (
                "", " ", "-", "12", "12.5", "1e3", "1°-30'", "1°30", "30'", '24"', "1°24\"30'", "1°1°", "--1°", "1,5°",
                "nan°", "٣°", "1°30'24\" x", "°", "1 47 24", "1:47:24", "9999999999°", "1°47'24\"\x00", "1/2°",
            )
        ],
    ],
)  # fmt: skip
def test_refused(text: str, reason: str) -> None:
    with pytest.raises(ValueError, match=f"^{reason}"):
        parse_angle(text)


SIGNS = st.sampled_from(["", "+", "-", "−"])


@given(SIGNS, st.integers(0, 720), st.integers(0, 59), st.integers(0, 59_999))
def test_reads_the_nearest_float(sign: str, degrees: int, minutes: int, thousandths: int) -> None:
    size = Fraction(degrees) + Fraction(minutes, 60) + Fraction(thousandths, 3_600_000)
    text = f"{sign}{degrees}°{minutes}'{thousandths // 1000}.{thousandths % 1000:03d}\""
    value = parse_angle(text)
    assert abs(value) == float(size)
    assert (math.copysign(1.0, value) < 0) == (sign in {"-", "−"})


@given(st.integers(-(10**9), 10**9))
def test_whole_seconds_come_back_exactly(seconds: int) -> None:
    minutes, left = divmod(abs(seconds), 60)
    text = f"{'-' if seconds < 0 else ''}{minutes // 60}°{minutes % 60:02d}'{left:02d}\""
    assert parse_angle(text) == seconds / 3600


@given(st.text(max_size=12))
def test_any_text_is_read_or_refused(text: str) -> None:
    with suppress(ValueError):
        assert math.isfinite(parse_angle(text))
