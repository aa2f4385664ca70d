"""The language of the simulated control, on the report's own examples (NISTIR 6556, sections 3.3.1 to 3.3.5)."""

import pytest

from ngc_language import NgcError, Unset, evaluate, parsed


def value(text, **parameters):
    ((_, tree),) = parsed(f"x{text}").words
    return evaluate(tree, {int(name[1:]): number for name, number in parameters.items()})


def test_examples_of_the_report():
    assert value("[2.0 / 3 * 1.5 - 5.5 / 11.0]") == pytest.approx(0.5)  # 3.3.2.3
    assert value("fix[-2.8]") == -3.0  # 3.3.2.4
    assert value("fup[-2.8]") == -2.0
    assert value("[#1+2]", p1=3.0) == 5.0  # 3.3.2.2: # binds tighter
    assert value("##2", p2=7.0, p7=4.0) == 4.0
    assert [letter for letter, _ in parsed("g0x +0. 12 34y 7").words] == ["G", "X", "Y"]  # 3.3
    ((_, x),) = parsed("x +0. 12 34").words
    assert evaluate(x, {}) == 0.1234
    assert parsed("N00009 (msg, hello) g1").message == "hello"


def test_precedence():
    assert value("[2+3*2**3]") == 26.0
    assert value("[8-3-2]") == 3.0
    assert value("[7 mod 4 + 1 and 0]") == 0.0
    assert value("atan[1]/[1]") == pytest.approx(45.0)
    assert value("[1-[0-2]*2]") == 5.0


@pytest.mark.parametrize(
    "text",
    [
        "x[-#1]", "x[1+]", "xsqrt[0-1]", "x[1/0]", "xln[0]", "xacos[2]", "x#5400", "x#0.5", "x1x2", "e1", "x[1",
        "N000009 g1", "(a (b)) g1", "(open g1", "g1)", "x1 " + " " * 260, "x[[0-8]**0.5]",
    ],
)  # fmt: skip
def test_what_the_report_does_not_allow(text):
    with pytest.raises(NgcError):
        [evaluate(tree, {1: 1.0}) for _, tree in parsed(text).words]


def test_a_parameter_that_nobody_set_is_told():
    with pytest.raises(Unset):
        value("#7")
