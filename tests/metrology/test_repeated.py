"""Repeated readings of one value: mean, spread and the expanded uncertainty of both together."""

from math import inf, isclose, sqrt

import pytest
from scipy.stats import norm, t

from metrology.errors import InputError
from metrology.statistics.repeated import repeated
from tests.published import published

TABLE_G2 = {1: 13.97, 2: 4.53, 3: 3.31, 4: 2.87, 5: 2.65, 8: 2.37, 10: 2.28, 19: 2.14}


def spread(n):
    """n readings about 600, not all alike."""
    return [600 + 0.01 * (place % 3) + 0.001 * place for place in range(n)]


CHECKS = [
    published(
        "repeated", f"coverage factor with {dof} degrees of freedom", source="JCGM 100:2008, table G.2, 95.45 %",
        status="from memory", expected=factor, within=0.0051,
        get=lambda dof=dof: repeated(spread(dof + 1), 0.0, 2.0).factor,
    )
    for dof, factor in TABLE_G2.items()
]  # fmt: skip


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_published_values_come_out(check):
    check.holds()


def test_one_reading_has_the_instruments_u():
    said = repeated([600.2], 0.2, 2.0)
    assert (said.mean, said.sd, said.dof, said.factor, said.uncertainty) == (600.2, None, inf, 2.0, 0.2)


def test_readings_all_alike_have_the_instruments_u():
    said = repeated([600.1] * 4, 0.2, 2.0)
    assert (said.mean, said.sd, said.uncertainty) == (600.1, 0.0, 0.2)


def test_both_parts_add_as_squares_and_the_factor_is_that_of_the_effective_degrees_of_freedom():
    # Second route: closed form with scipy's t and normal distributions.
    readings = [600.1, 600.5, 600.3]
    said = repeated(readings, 0.2, 2.0)
    type_a, type_b = 0.2 / sqrt(3), 0.1
    combined = sqrt(type_a**2 + type_b**2)
    dof = combined**4 / (type_a**4 / 2)
    factor = t.ppf(0.5 + (norm.cdf(2) - norm.cdf(-2)) / 2, int(dof))
    assert isclose(said.sd, 0.2) and isclose(said.dof, dof)
    assert isclose(said.uncertainty, factor * combined, rel_tol=1e-9)


def test_many_readings_come_near_to_the_instruments_own_u():
    said = repeated(spread(2000), 20.0, 2.0)
    assert 20.0 <= said.uncertainty < 20.01


@pytest.mark.parametrize(
    ("readings", "u", "k", "code"),
    [
        ([], 0.1, 2, "no-reading"),
        ([600, float("nan")], 0.1, 2, "not-a-number"),
        ([600], -0.1, 2, "negative-uncertainty"),
        ([600], 0.1, 0, "coverage-factor"),
    ],
)
def test_what_cannot_be_is_refused(readings, u, k, code):
    with pytest.raises(InputError) as refused:
        repeated(readings, u, k)
    assert refused.value.code == code
