"""Loops of characteristics: from tolerances or casts, after a change, in matched sets; closed forms beside them."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from metrology.closure.closing import Change, Member, PartLoop, RingShape, changed, closes
from metrology.closure.closing_allowed import allowed
from metrology.closure.closing_matched import matched, matched_sets
from metrology.errors import InputError

BAY = Member("Bay", 4824.0, 4815.0, 4833.0)
PANEL = Member("Panel", 1200.0, 1198.0, 1202.0, sensitivity=-1.0, times=4, part="DP-01 A")
STRIP = Member("Strip", 4.0, 3.0, 5.0, sensitivity=-1.0, times=3)
ROW = PartLoop((BAY, PANEL, STRIP), 8.0, 16.0)


def casts(*values):
    return tuple((f"K{n:02d}", value) for n, value in enumerate(values))


def test_a_row_closes_as_the_closed_form_says():
    found = closes(ROW, 3, 0.95)
    sd = np.sqrt(9 + 4 * (2 / 3) ** 2 + 3 / 9)
    assert found.sd == pytest.approx(sd) and found.middle == pytest.approx(12.0, abs=0.05)
    assert found.share == pytest.approx(2 * stats.norm.cdf(4 / sd) - 1, abs=0.005)
    assert (found.least, found.most) == pytest.approx((12 - 9 - 8 - 3, 12 + 9 + 8 + 3))


def test_the_member_with_the_largest_share_of_the_variance_spoils_most():
    first = closes(ROW, 3, 0.95).spoilers[0]
    assert first.name == "Bay" and first.share == pytest.approx(9 / (9 + 16 / 9 + 1 / 3))


def test_enough_casts_are_drawn_instead_of_the_tolerance():
    measured = replace(PANEL, casts=casts(1199.8, 1199.8, 1199.8))
    found = closes(replace(ROW, members=(BAY, measured, STRIP)), 3, 0.95)
    assert found.from_casts == ("Panel",) and found.middle == pytest.approx(12.8, abs=0.05)
    assert closes(replace(ROW, members=(BAY, measured, STRIP)), 4, 0.95).from_casts == ()


def test_the_unknown_mean_of_few_casts_counts_for_every_piece_in_the_row():
    # Four pieces of one kind share one mean: the bound is that of 4 x − known, not of four separate means.
    values = (1199.0, 1200.0, 1201.0, 1199.5, 1200.5)
    alone = PartLoop((Member("P", 1200, 1198, 1202, times=4, part="P", casts=casts(*values)),), None, 4806.0)
    found = closes(alone, 3, 0.95)
    sd, n = np.std(values, ddof=1), 5
    random = np.random.default_rng(1)
    s = sd * np.sqrt((n - 1) / random.chisquare(n - 1, 20_000))
    mean = 1200 + random.standard_normal(20_000) * s / np.sqrt(n)
    low = np.quantile(stats.norm.cdf((4806 - 4 * mean) / (2 * s)), 0.05)
    assert found.low == pytest.approx(low, abs=0.06)


def test_a_tighter_tolerance_and_a_moved_mean_are_judged_without_touching_the_loop():
    better = changed(ROW, {"Bay": Change(tolerance=4.0), "Panel": Change(shift=-0.1)}, minimum=3)
    found = closes(better, 3, 0.95)
    assert found.share > closes(ROW, 3, 0.95).share and found.middle == pytest.approx(12.4, abs=0.05)
    assert ROW.members[0] is BAY


def test_a_tolerance_proposed_for_casts_keeps_their_mean():
    measured = replace(PANEL, casts=casts(1199.0, 1199.4, 1199.8))
    one = changed(PartLoop((measured,), 0.0, None), {"Panel": Change(tolerance=0.3)}, minimum=3).members[0]
    assert (one.lower, one.upper) == pytest.approx((1199.1, 1199.7)) and not one.casts


def test_a_formula_closes_like_the_same_sum():
    formula = PartLoop((replace(BAY, name="a"), replace(STRIP, name="b", times=1)), 4812.0, 4828.0, formula="a - b")
    plain = PartLoop((BAY, replace(STRIP, times=1)), 4812.0, 4828.0)
    assert closes(formula, 3, 0.95).share == closes(plain, 3, 0.95).share


SHAPE = RingShape(12, 900.0, 3.0, 240.0, fixed=False)
LENGTH = Member("Chord", 900.0, 898.5, 901.5, role="length", part="LR-01 A")
ANGLE = Member("Angle", 0.0, -0.03, 0.03, role="angle")
RING = PartLoop((LENGTH, ANGLE), 1.0, 5.0, ring=SHAPE)


def test_a_free_ring_of_lengths_closes_as_the_closed_form_says():
    found = closes(PartLoop((LENGTH,), 1.0, 5.0, ring=SHAPE), 3, 0.95)
    sd = 0.5 * np.sqrt(6)
    assert found.sd == pytest.approx(sd, rel=0.03)
    assert found.share == pytest.approx(2 * stats.norm.cdf(2 / sd) - 1, abs=0.015)


def test_set_out_places_keep_errors_from_adding_up():
    fixed = changed(RING, {}, minimum=3, fixed=True)
    assert closes(fixed, 3, 0.95).share > closes(RING, 3, 0.95).share + 0.1


def test_a_ring_names_what_spoils_it_with_the_chance_without_it():
    found = closes(RING, 3, 0.95)
    assert [one.name for one in found.spoilers] and found.spoilers[0].share >= found.share


def test_a_ring_takes_its_lengths_from_casts_that_have_every_figure():
    length = replace(LENGTH, casts=(("A", 900.5), ("B", 899.5), ("C", 900.0), ("D", 900.1)))
    angle = replace(ANGLE, part="LR-01 A", casts=(("A", 0.01), ("B", 0.0), ("C", -0.01)))
    found = closes(replace(RING, members=(length, angle)), 3, 0.95)
    assert found.from_casts == ("Angle", "Chord") and found.low < found.share - 0.02


def test_matched_sets_use_every_cast_once_and_come_nearer_to_the_middle():
    values = (1199.0, 1201.0, 1199.2, 1200.8, 1199.4, 1200.6, 1199.1, 1200.9)
    panel = replace(PANEL, times=2, casts=casts(*values))
    loop = PartLoop((panel,), -2401.0, -2399.0)
    serials, sums = matched_sets(loop, 3)
    assert sorted(", ".join(serials).split(", ")) == [f"K{n:02d}" for n in range(8)]
    assert np.abs(sums + 2400).max() < 0.31
    assert closes(matched(loop, 3), 2, 0.95).share > closes(loop, 3, 0.95).share


@pytest.mark.parametrize(
    "loop",
    [ROW, RING, replace(ROW, upper=None), PartLoop((replace(PANEL, casts=casts(1.0, 2.0, 3.0)),), -9.0, 9.0)],
    ids=["no casts", "ring", "one limit", "too few for two sets"],
)
def test_where_casts_cannot_be_matched_there_are_no_sets(loop):
    assert matched(loop, 3) is None


@pytest.mark.parametrize(
    ("loop", "code"),
    [
        (PartLoop((), 0.0, 1.0), "no-contributors"),
        (replace(ROW, lower=None, upper=None), "no-limits"),
        (replace(RING, lower=None, upper=None), "no-limits"),
        (replace(RING, members=(BAY,)), "no-errors"),
        (PartLoop((replace(BAY, name="a b"),), 0.0, 1.0, formula="a"), "bad-name"),
    ],
)
def test_loops_that_cannot_be_judged_say_why(loop, code):
    with pytest.raises(InputError) as caught:
        closes(loop, 3, 0.95)
    assert caught.value.code == code


def test_the_same_question_has_the_same_answer():
    first = closes(ROW, 3, 0.95)
    closes.cache_clear()
    assert closes(ROW, 3, 0.95) == first


def test_the_tolerances_that_reach_a_wanted_chance_do_reach_it():
    found = {one.name: one for one in allowed(ROW, 3, 0.95)}
    bay = found["Bay"].alone
    assert closes(changed(ROW, {"Bay": Change(tolerance=bay)}, minimum=3), 3, 0.95).share == pytest.approx(
        0.95, abs=0.004
    )
    alike = {name: Change(tolerance=one.alike) for name, one in found.items()}
    assert closes(changed(ROW, alike, minimum=3), 3, 0.95).share == pytest.approx(0.95, abs=0.004)


def test_what_cannot_reach_the_wanted_chance_alone_has_no_tolerance():
    found = {one.name: one for one in allowed(ROW, 3, 0.95)}
    assert found["Strip"].alone is None and found["Strip"].now == 1.0


def test_three_standard_deviations_of_casts_are_their_tolerance():
    measured = replace(PANEL, casts=casts(1199.0, 1200.0, 1201.0))
    found = allowed(replace(ROW, members=(BAY, measured, STRIP)), 3, 0.95)
    assert found[1].now == pytest.approx(3.0)


def test_a_ring_reaches_its_wanted_chance_too():
    found = {one.name: one for one in allowed(RING, 3, 0.9)}
    alike = {name: Change(tolerance=one.alike) for name, one in found.items()}
    assert closes(changed(RING, alike, minimum=3), 3, 0.95).share == pytest.approx(0.9, abs=0.03)
