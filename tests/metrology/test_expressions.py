"""Formulas: values against Python's own arithmetic, derivatives against finite differences."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from metrology.amounts.expressions import ZERO, check_name, parse
from metrology.errors import InputError

AT = {"x": 0.7, "y": 1.9}
FORMULAS = [
    ("x + 2*y - 3", 0.7 + 3.8 - 3),
    ("x^2*y", 0.49 * 1.9),
    ("-x^2", -0.49),
    ("2^-x", 2**-0.7),
    ("x^y", 0.7**1.9),
    ("x/y/2", 0.7 / 1.9 / 2),
    ("sqrt(x*y)", math.sqrt(0.7 * 1.9)),
    ("sin(x)*cos(y)+tan(x)", math.sin(0.7) * math.cos(1.9) + math.tan(0.7)),
    ("asin(x) + acos(x/2) + atan(y)", math.asin(0.7) + math.acos(0.35) + math.atan(1.9)),
    ("atan2(x, y)", math.atan2(0.7, 1.9)),
    ("hypot(x, y)", math.hypot(0.7, 1.9)),
    ("exp(x) - ln(y) + log10(y) + log(y)", math.exp(0.7) + math.log10(1.9)),
    ("abs(-x)", 0.7),
    ("sin(rad(30)) + deg(pi)", 180.5),
    ("x · y − 1", 0.33),
]


@pytest.mark.parametrize(("formula", "value"), FORMULAS)
def test_a_formula_has_its_value(formula, value):
    assert parse(formula).value(AT) == pytest.approx(value, rel=1e-14)


@pytest.mark.parametrize("formula", [formula for formula, _ in FORMULAS])
@pytest.mark.parametrize("name", ["x", "y"])
def test_a_derivative_is_the_slope(formula, name):
    one = parse(formula)
    step = 1e-6
    slope = (one.value(AT | {name: AT[name] + step}) - one.value(AT | {name: AT[name] - step})) / (2 * step)
    assert one.derivative(name).value(AT) == pytest.approx(slope, rel=1e-7, abs=1e-8)


def test_derivatives_can_be_repeated():
    third = parse("x^4*y").derivative("x").derivative("x").derivative("x")
    assert third.value(AT) == pytest.approx(24 * 0.7 * 1.9)
    assert parse("x*y").derivative("x").derivative("x") == ZERO


def test_arrays_are_taken_at_once():
    assert parse("x^2 + y").value({"x": np.array([1.0, 2.0]), "y": 1.0}).tolist() == [2.0, 5.0]


def test_names_are_told():
    assert parse("a*sin(b) + pi").names == {"a", "b"}


@given(st.floats(-5, 5), st.floats(0.1, 5))
def test_the_order_of_operations_is_that_of_arithmetic(x, y):
    assert parse("x - y*x^2/y + -x^2").value({"x": x, "y": y}) == pytest.approx(x - 2 * x**2, abs=1e-9)


@pytest.mark.parametrize(
    ("formula", "code", "says"),
    [
        ("", "no-formula", "no formula"),
        ("x +", "bad-formula", "cannot be read"),
        ("x, y", "bad-formula", "decimals with a point"),
        ("x.real", "bad-formula", "does not belong"),
        ("__import__('os')", "bad-formula", "does not belong"),
        ("(lambda: 1)()", "bad-formula", "does not belong"),
        ("x if y else 1", "bad-formula", "does not belong"),
        ("x % 2", "bad-formula", "operator that is not known"),
        ("x == y", "bad-formula", "does not belong"),
        ("'abc'", "bad-formula", "does not belong"),
        ("True", "bad-formula", "does not belong"),
        ("sin", "bad-formula", "sin needs its brackets"),
        ("sin(x, y)", "bad-formula", "takes 1 figure"),
        ("hypot(x)", "bad-formula", "takes 2 figures"),
        ("gamma(x)", "bad-formula", "gamma(…) is not known"),
        ("z", "unknown-name", "“z”"),
        ("1" * 600, "bad-formula", "longer than"),
        ("-" * 100 + "x", "bad-formula", "brackets"),
        ("sin(x=1)", "bad-formula", "does not belong"),
        ("sin(*x)", "bad-formula", "does not belong"),
    ],
)
def test_what_is_no_formula_is_refused(formula, code, says):
    with pytest.raises(InputError) as caught:
        parse(formula, {"x", "y"})
    assert caught.value.code == code and says in caught.value.sentence


def test_great_powers_do_no_harm():
    with np.errstate(all="ignore"):
        assert parse("9^9^9^9").value({}) == math.inf


@pytest.mark.parametrize("name", ["x", "d_1", "θ", "Δα", "µ"])
def test_names_may_be_greek(name):
    assert parse(f"2*{name}", {name}).value({check_name(name): 3.0}) == 6.0


@pytest.mark.parametrize("name", ["", "1x", "a b", "lambda", "as", "sin", "pi", "a.b", "x;y", "-x"])
def test_names_that_no_formula_can_use_are_refused(name):
    with pytest.raises(InputError) as caught:
        check_name(name)
    assert caught.value.code == "bad-name"
