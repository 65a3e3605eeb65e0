"""Strength acceptance: ACI 318 and EN 206, against published cases and rules."""

import numpy as np
import pytest

from metrology.amounts.quantities import convert
from metrology.calculations.casting_strength import AciInputs, En206Inputs, aci, en206
from metrology.calculations.problems import Refused
from metrology.calculations.registry import find
from metrology.calculations.running import run
from tests.published import published

PSI = convert(1, "psi", "MPa")
TUTORIAL = "tutorial on concrete testing: f'c 4000 psi; tests 3950, 4100, 4050, 3800; not accepted"
FOUR = {
    "specified": {"value": 4000, "unit": "psi"},
    "tests": [{"value": value, "unit": "psi"} for value in (3950, 4100, 4050, 3800)],
}
GUIDE = "guidance on the conformity rules of EN 206 (Quarry Products Association), and a lecture on it"


def results(*values, **more):
    return {"fck": 30, "results": list(values), **more}


CHECKS = [
    *(
        published(
            "strength-acceptance", f"mean of tests {k + 1} to {k + 3}, MPa", source=TUTORIAL, status="READ", given=FOUR,
            figure=f"means.{k}", expected=value * PSI, within=0.001 * PSI,
        )
        for k, value in enumerate([4033.333, 3983.333])
    ),
    *(
        published(
            "strength-acceptance", figure, source=TUTORIAL, status="READ", given=FOUR, figure=figure, expected=value
        )
        for figure, value in [("singles", "pass"), ("averages", "fail"), ("result", "fail")]
    ),
    published(
        "strength-conformity", "no result below f_ck − 4", source=GUIDE, status="READ", given=results(36, 35, 34),
        figure="single_wanted", expected=26.0,
    ),
    published(
        "strength-conformity", "continuous, σ = 3: mean of f_ck + 1.48 σ", source="EN 206, table 14",
        status="from memory", given=results(*[38.0] * 15, production="continuous", sigma=3), figure="mean_wanted",
        expected=34.44, within=1e-9,
    ),
    *(
        published(
            "strength-conformity", f"identity test of {n}: mean of f_ck + {add}", source="EN 206, table B.1",
            status="from memory", given=results(*[38.0] * n, production="identity"), figure="mean_wanted",
            expected=30.0 + add,
        )
        for n, add in [(2, 1), (4, 1), (5, 2), (6, 2)]
    ),
    published(
        "strength-conformity", "initial: mean of three of f_ck + 4", source="EN 206, table 14", status="from memory",
        given=results(36, 35, 34), figure="mean_wanted", expected=34.0,
    ),
    published(
        "strength-conformity", "standard deviation from ranges, 0.886 × mean", source=GUIDE, status="READ",
        given=results(36, 38, 35), figure="sigma_from_ranges", expected=0.886 * 2.5, within=1e-12,
    ),
]  # fmt: skip


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_published_values_come_out(check):
    check.holds()


def psi(specified, *tests, edition="psi"):
    return aci(AciInputs(specified * PSI, tuple(test * PSI for test in tests), edition))


def test_means_that_equal_the_specified_strength_pass_whatever_the_unit():
    # 3950 + 4100 + 3950 is 3 × 4000 exactly in psi, and misses it by a rounding in MPa.
    for edition in ("psi", "MPa"):
        assert psi(4000, 3950, 4100, 3950, edition=edition).result == "pass"
        assert psi(3700, 3650, 3720, 3730, edition=edition).result == "pass"


def test_the_customary_edition_has_its_own_round_limits():
    # 500 psi is 3.447 MPa: 3495 psi is too low for 4000 psi in the one edition and not in the other.
    assert psi(4000, 4500, 3495, 4500).singles == "fail"
    assert psi(4000, 4500, 3495, 4500, edition="MPa").singles == "pass"
    assert psi(4000, 4500, 3500, 4500).singles == "pass"


def test_above_the_bound_a_tenth_is_allowed():
    assert psi(6000, 6300, 5400, 6300).singles == "pass" and psi(6000, 6300, 5399, 6400).singles == "fail"
    assert aci(AciInputs(40.0, (45.0, 36.0, 45.0))).lowest_allowed == 36.0


def test_fewer_than_three_tests_say_nothing_unless_one_is_too_low():
    assert aci(AciInputs(30.0, (31.0, 29.0))).result == "missing"
    assert aci(AciInputs(30.0, (31.0, 26.4))).result == "fail"


def test_a_strength_never_seems_to_reach_what_it_misses():
    found = aci(AciInputs(30.0, (29.998, 29.998, 29.998)))
    assert found.result == "fail" and "29.99\u00a0MPa, is below the specified 30.0\u00a0MPa" in found.sentence


def test_all_tests_too_low_fail_both_conditions():
    found = aci(AciInputs(30.0, (20.0, 20.0, 20.0)))
    assert (found.singles, found.averages, found.result) == ("fail", "fail", "fail")


def judged(*values, **more):
    return en206(En206Inputs(fck=30.0, results=values, **more))


def test_initial_production_judges_every_three_in_a_row():
    assert judged(36.0, 34.0, 32.0).result == "pass"
    found = judged(40.0, 36.0, 34.0, 31.0)
    assert found.result == "fail" and "33.66\u00a0MPa" in found.sentence


def test_a_single_result_too_low_does_not_conform_in_any_production():
    high = [50.0] * 14
    assert judged(*high, 25.9, production="continuous", sigma=3.0).result == "fail"
    assert judged(50.0, 25.9, production="identity").result == "fail"
    assert judged(25.9).result == "fail"


def test_one_identity_result_has_no_mean_to_reach():
    found = judged(26.0, production="identity")
    assert found.result == "pass" and found.mean_wanted is None and found.means == ()


def test_a_spread_that_has_changed_asks_for_a_new_standard_deviation():
    wild = tuple(40.0 + 6 * (-1) ** k for k in range(15))
    assert judged(*wild, production="continuous", sigma=3.0).result == "missing"
    calm = tuple(40.0 + 2 * (-1) ** k for k in range(15))
    assert judged(*calm, production="continuous", sigma=3.0).result == "pass"


def test_the_limits_of_the_last_fifteen_are_063_and_137_times():
    base = np.array([(-1.0) ** k for k in range(15)])
    unit = base / base.std(ddof=1)
    for factor, result in ((0.64, "pass"), (0.62, "missing"), (1.36, "pass"), (1.38, "missing")):
        values = tuple(40 + 2 * factor * unit)
        assert judged(*values, production="continuous", sigma=2.0).result == result


def test_fewer_than_fifteen_of_a_continuous_production_are_too_few():
    assert judged(*[40.0] * 14, production="continuous", sigma=2.0).result == "missing"


@pytest.mark.parametrize(
    ("given", "code"),
    [
        (results(40, 40, production="continuous"), "no-sigma"),
        (results(*[40] * 7, production="identity"), "too-many-results"),
    ],
)
def test_a_rule_that_cannot_be_applied_is_refused(given, code):
    with pytest.raises(Refused) as caught:
        run(find("strength-conformity"), given)
    assert caught.value.code == code


def test_the_status_of_the_standard_is_stated():
    statuses = {source.status for source in find("strength-conformity").sources}
    assert statuses == {"READ", "from memory"}
