"""Shrinkage, pattern scale, drying and temperature: published figures and the two meanings of an allowance."""

import numpy as np
import pytest
from scipy import stats

from metrology.calculations.casting_shrinkage import (
    CastingShrinkageInputs,
    Direction,
    DryingInputs,
    PatternInputs,
    casting_shrinkage,
    drying,
    pattern,
)
from metrology.calculations.problems import Refused
from metrology.calculations.registry import find
from metrology.calculations.running import run
from tests.published import published

RULE = "patternmakers' list of contraction, inch per foot (handbooks disagree: a convention, not a fact)"
EC2 = "EN 1992-1-1, 3.1.4 and B.2, by structuralcodes 0.7.2"


def per_foot(allowance):
    return {
        "wanted": {"value": 1, "unit": "ft"},
        "allowance": {"value": allowance, "unit": "in"},
        "per": {"value": 1, "unit": "ft"},
    }


FOUR = {"directions": [{"direction": "along", "mould": 1000, "parts": [998.1, 998.4, 997.9, 998.2]}]}
CHECKS = [
    *(
        published(
            "casting-shrinkage", f"{figure} of four casts", source="mean with its t interval",
            status="COMPUTED with scipy 1.17.1",
            given=FOUR, figure=f"directions.0.{figure}", expected=value, within=1e-9,
        )
        for figure, value in [("shrinkage", 0.0018500000), ("low", 0.0015187605), ("high", 0.0021812395)]
    ),
    *(
        published(
            "pattern-scale", f"{name}, {words} in per ft", source=RULE, status="READ", given=per_foot(allowance),
            figure="scale", expected=value, within=1e-7,
        )
        for name, words, allowance, value in [
            ("steel", "1/4", 0.25, 1.0208333), ("cast iron", "1/8", 0.125, 1.0104167),
            ("aluminium", "5/32", 0.15625, 1.0130208), ("brass", "3/16", 0.1875, 1.015625),
            ("lead", "5/16", 0.3125, 1.0260417),
        ]
    ),
    published(
        "pattern-scale", "2 % smaller than its mould", source="part = mould × (1 − s), solved for the mould",
        status="definition", given={"wanted": 980, "shrinkage": 0.02}, figure="pattern", expected=1000.0, within=1e-9,
    ),
    *(
        published(
            "drying-shrinkage", f"nominal strain, C{fck}, {100 * rh:.0f} %", source=EC2,
            status="COMPUTED with structuralcodes 0.7.2", given={"fck": fck, "humidity": rh}, figure="nominal",
            expected=value, within=1e-9,
        )
        for fck, rh, value in [(20, 0.6, 0.000487178), (40, 0.6, 0.0003832278), (30, 0.8, 0.0002689528)]
    ),
    *(
        published(
            "drying-shrinkage", f"table 3.2, C{fck}, {100 * rh:.0f} %", source="EN 1992-1-1, table 3.2 (0.01 ‰)",
            status="from memory", given={"fck": fck, "humidity": rh}, figure="nominal", expected=value, within=5e-6,
        )
        for fck, rh, value in [(20, 0.6, 0.00049), (40, 0.6, 0.00038)]
    ),
    *(
        published(
            "drying-shrinkage", f"{figure} at 28 days from 7, h = 200 mm", source=EC2,
            status="COMPUTED with structuralcodes 0.7.2",
            given={"fck": 30, "notional_size": 200, "dries_from": 7, "age": 28}, figure=figure, expected=value,
            within=1e-8,
        )
        for figure, value in [("size_factor", 0.85), ("time_share", 0.15655626)]
    ),
    published(
        "thermal-movement", "2400 mm by 15 K at 10 ppm", source="length × coefficient × difference",
        status="definition", given={"length": 2400, "warmer": 15, "coefficient": 10}, figure="movement",
        expected=0.36, within=1e-9,
    ),
]  # fmt: skip


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_published_values_come_out(check):
    check.holds()


def test_an_allowance_on_the_part_is_not_a_shrinkage_of_the_mould():
    # 2 % of the part is 1.961 % of the mould; dividing where one should multiply makes a metre 0.4 mm too long.
    added = pattern(PatternInputs(1000.0, None, 20.0, 1000.0))
    measured = pattern(PatternInputs(1000.0, 0.02))
    assert added.pattern == pytest.approx(1020) and measured.pattern == pytest.approx(1000 / 0.98)
    assert added.shrinkage == pytest.approx(0.02 / 1.02) and measured.allowance_per_metre == pytest.approx(20 / 0.98)


@pytest.mark.parametrize(
    ("inputs", "code"),
    [
        (PatternInputs(100.0), "no-shrinkage"),
        (PatternInputs(100.0, 0.01, 1.0), "two-shrinkages"),
        (PatternInputs(100.0, None, -20.0, 10.0), "shrinkage"),
    ],
)
def test_a_pattern_without_one_clear_shrinkage_is_refused(inputs, code):
    with pytest.raises(Refused) as caught:
        pattern(inputs)
    assert caught.value.code == code


def measured(*parts, mould=1000.0, wanted=None, **more):
    directions = (Direction("along", mould, parts, wanted),)
    return casting_shrinkage(CastingShrinkageInputs(directions=directions, **more)).directions[0]


def test_the_interval_is_that_of_the_mean_over_casts():
    parts = (998.1, 998.4, 997.9, 998.2)
    found = measured(*parts)
    low, high = stats.t.interval(0.95, 3, np.mean(parts), stats.sem(parts))
    assert (found.low, found.high) == pytest.approx((1 - high / 1000, 1 - low / 1000))


def test_a_shared_uncertainty_widens_the_interval_and_more_casts_do_not_remove_it():
    parts = (998.1, 998.4, 997.9, 998.2) * 25
    alone, shared = measured(*parts), measured(*parts, u=0.5)
    assert shared.high - shared.low > 1.9 * 2 * 0.0005 > 5 * (alone.high - alone.low)


def test_one_cast_has_a_shrinkage_and_no_interval():
    found = measured(998.0, wanted=1000.0)
    assert found.shrinkage == pytest.approx(0.002) and found.low is None and found.off_by is None
    assert found.pattern == pytest.approx(1000 / 0.998)


def test_casts_without_spread_have_an_interval_of_nothing():
    found = measured(998.0, 998.0, 998.0)
    assert found.low == pytest.approx(found.high) == pytest.approx(0.002)


def test_a_part_that_grew_is_called_larger():
    result = casting_shrinkage(CastingShrinkageInputs(directions=(Direction("up", 100.0, (101.0, 101.2)),)))
    assert "1.100\u00a0%" in result.sentence and "larger than its mould" in result.sentence


def test_before_it_dries_a_part_has_not_shrunk_by_drying():
    found = drying(DryingInputs(fck=30.0, age=3.0, dries_from=7.0))
    assert found.drying == 0 and found.autogenous > 0


def test_humidity_beyond_all_is_refused():
    with pytest.raises(Refused):
        run(find("drying-shrinkage"), {"fck": 30, "humidity": 1.2})
