"""Groups compared: one-way analysis of variance."""

import numpy as np
import pytest
from scipy import stats

from metrology.calculations.groups import GroupsInputs, Value, groups
from metrology.calculations.problems import Refused
from tests.published import published

# NIST StRD, analysis of variance, dataset AtmWtAg (READ), less 107.
SILVER = {
    "instrument 1": [
        0.8681568,
        0.8681465,
        0.8681572,
        0.8681785,
        0.8681446,
        0.8681903,
        0.8681526,
        0.8681494,
        0.8681616,
        0.8681587,
        0.8681519,
        0.8681486,
        0.8681419,
        0.8681569,
        0.8681508,
        0.8681672,
        0.8681385,
        0.8681518,
        0.8681662,
        0.8681424,
        0.8681360,
        0.8681333,
        0.8681610,
        0.8681477,
    ],
    "instrument 2": [
        0.8681079,
        0.8681344,
        0.8681513,
        0.8681197,
        0.8681604,
        0.8681385,
        0.8681642,
        0.8681365,
        0.8681151,
        0.8681082,
        0.8681517,
        0.8681448,
        0.8681198,
        0.8681482,
        0.8681334,
        0.8681609,
        0.8681101,
        0.8681512,
        0.8681469,
        0.8681360,
        0.8681254,
        0.8681261,
        0.8681450,
        0.8681368,
    ],
}
STIFF = {"values": [{"group": name, "value": 107 + value} for name, found in SILVER.items() for value in found]}
STRD = "NIST StRD, analysis of variance, dataset AtmWtAg"


def strd(figure, expected, relative):
    return published(
        "groups-compared",
        figure,
        source=STRD,
        status="READ",
        given=STIFF,
        figure=figure,
        expected=expected,
        within=expected * relative,
    )


# Seven equal leading digits eat as many of the sixteen.
CHECKS = [
    strd("between", 3.63834187500000e-09, 1e-6),
    strd("within", 1.04951729166667e-08, 1e-6),
    strd("f", 1.59467335677930e01, 1e-6),
    strd("determination", 2.57426544538321e-01, 1e-6),
    strd("within_deviation", 1.51048314446410e-05, 1e-6),
]


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_published_values_come_out(check):
    check.holds()


def given(*rows):
    return GroupsInputs(tuple(Value(name, value) for name, values in rows for value in values))


def test_three_groups_agree_with_scipy():
    rng = np.random.default_rng(3)
    rows = [(name, rng.normal(mean, 2, size).tolist()) for name, mean, size in (("a", 0, 5), ("b", 1, 9), ("c", 4, 6))]
    found, other = groups(given(*rows)), stats.f_oneway(*(values for _, values in rows))
    assert (found.f, found.p_value) == pytest.approx((other.statistic, other.pvalue), rel=1e-10)


def test_groups_that_differ_are_named_from_highest_to_lowest():
    found = groups(given(("one", (1.0, 1.1, 0.9)), ("two", (3.0, 3.1, 2.9))))
    assert found.sentence.startswith("The groups differ: two lies 2.000\u00a0mm above one")


def test_what_chance_explains_is_no_difference():
    found = groups(given(("one", (1.0, 2.0, 3.0)), ("two", (1.1, 2.2, 2.9))))
    assert found.sentence.startswith("No difference is shown")


def test_groups_without_scatter_that_differ_are_told_apart_for_certain():
    found = groups(given(("one", (1.0, 1.0)), ("two", (2.0, 2.0))))
    assert (found.f, found.p_value, found.determination) == (None, 0.0, 1.0)


@pytest.mark.parametrize(
    ("rows", "code"),
    [
        ([("one", (1.0, 2.0, 3.0))], "one-group"),
        ([("one", (1.0,)), ("two", (2.0,)), ("three", (3.0,))], "no-repeats"),
        ([("one", (1.0, 1.0)), ("two", (1.0, 1.0))], "no-spread"),
    ],
)
def test_values_that_tell_no_groups_apart_are_refused(rows, code):
    with pytest.raises(Refused) as fault:
        groups(given(*rows))
    assert fault.value.code == code
