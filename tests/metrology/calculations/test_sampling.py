"""Acceptance by a sample.

Zero-acceptance sizes: R phyper (COMPUTED). For 20 items, 5 % and a risk of 5 % it gives 20, by a rounding of
1/20: with 19 inspected the one nonconforming item is missed 1 time in 20, which is 5 % exactly, so 19 is right here.
Plans: MIL-STD-105E tables I and II-A; the cells below were READ in a table derived from it.
"""

from itertools import pairwise

import numpy as np
import pytest
from scipy import stats

from metrology.calculations.problems import Refused
from metrology.calculations.registry import find
from metrology.calculations.running import run
from metrology.calculations.sampling import (
    CharacteristicInputs,
    PlanInputs,
    ZeroInputs,
    characteristic,
    plan,
    plan_plot,
    zero_plan,
)
from metrology.errors import InputError
from metrology.statistics.sampling import (
    AQLS,
    LETTERS,
    LEVELS,
    SAMPLE_SIZES,
    accept_from_lot,
    accept_from_process,
    cell,
    code_letter,
    share_accepted_with,
    single_plan,
    zero_acceptance_size,
)
from tests.published import published

ZERO = [
    (20, 0.05, 18, None), (20, 0.1, 14, 16), (50, 0.05, 27, 31), (50, 0.1, 18, 22), (100, 0.05, 37, 45),
    (100, 0.1, 20, 25), (200, 0.05, 41, 51), (200, 0.1, 21, 27), (500, 0.05, 43, 56), (500, 0.1, 22, 28),
]  # fmt: skip
BINOMIAL = {0.001: 0.9988135, 0.005: 0.9738685, 0.01: 0.9105647, 0.02: 0.7357714, 0.03: 0.5552799, 0.05: 0.2794318,
            0.08: 0.082712, 0.1: 0.0337859}  # fmt: skip
LOT = {5: 0.9194237, 10: 0.7365025, 15: 0.5468782, 25: 0.2635939, 40: 0.0721626, 50: 0.0278203}
R_SAMPLING = "R AcceptanceSampling 1.0.11"
CHECKS = [
    *(
        published(
            "zero-acceptance-plan",
            f"lot {lot}, {limit:.0%} must not pass, risk {risk:.0%}",
            source="R phyper",
            status="COMPUTED with R",
            given={"lot": lot, "limit": limit, "risk": risk},
            figure="n",
            expected=n,
        )
        for lot, limit, *sizes in ZERO
        for risk, n in zip((0.1, 0.05), sizes, strict=True)
        if n
    ),
    published(
        "zero-acceptance-plan",
        "lot 20, 5% must not pass, risk 5%: 19 inspected miss 1 of 20",
        source="1 ÷ 20 = 5% exactly; R phyper gives 20 by rounding",
        status="definition",
        given={"lot": 20, "limit": 0.05, "risk": 0.05},
        figure="n",
        expected=19,
    ),
    *(
        published(
            "sampling-plan",
            f"lot {lot}, level II, AQL {aql}: {what}",
            source="MIL-STD-105E tables I and II-A, a table derived from it",
            status="READ",
            given={"lot": lot, "aql": aql},
            figure=figure,
            expected=expected,
        )
        for lot, aql, letter, n, accept in [(500, 1.0, "H", 50, 1), (1000, 2.5, "J", 80, 5)]
        for what, figure, expected in [("letter", "letter", letter), ("sample", "n", n), ("Ac", "accept", accept)]
    ),
    *(
        published(
            "operating-characteristic",
            f"n 50, Ac 1, {share:.1%} nonconforming",
            source=R_SAMPLING,
            status="COMPUTED with R",
            given={"n": 50, "accept": 1, "share": share},
            figure="accepted",
            expected=expected,
            within=1e-6,
        )
        for share, expected in BINOMIAL.items()
    ),
    *(
        published(
            "operating-characteristic",
            f"n 50, Ac 1, {bad} of 500 nonconforming",
            source=R_SAMPLING,
            status="COMPUTED with R",
            given={"n": 50, "accept": 1, "lot": 500, "share": bad / 500},
            figure="accepted",
            expected=expected,
            within=1e-6,
        )
        for bad, expected in LOT.items()
    ),
]


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_published_values_come_out(check):
    check.holds()


LOTS = (2, 9, 16, 26, 51, 91, 151, 281, 501, 1201, 3201, 10_001, 35_001, 150_001, 500_001)
NUMBERS = (0, 1, 2, 3, 5, 7, 10, 14, 21, 30, 44)


# ---- the table -------------------------------------------------------------------------------------------------------


def test_the_table_steps_down_by_one_acceptance_number_along_each_row():
    for letter in LETTERS:
        numbers = [found for aql in AQLS if isinstance(found := cell(letter, aql), int)]
        first = NUMBERS.index(numbers[0])
        assert numbers == list(NUMBERS[first : first + len(numbers)])


def test_the_same_acceptance_number_keeps_sample_times_aql():
    # The plans of one diagonal are made for one number of nonconforming items: n × AQL stays within rounding.
    for accept in (0, 1, 2, 3, 5, 7, 10, 14, 21):
        products = [SAMPLE_SIZES[letter] * aql for letter in LETTERS for aql in AQLS if cell(letter, aql) == accept]
        assert max(products) / min(products) < 1.35


def test_lots_at_the_aql_are_mostly_accepted():
    # By the standard the probability at the AQL is from about 0.88 for the smallest plans to about 0.99.
    for letter in LETTERS:
        for aql in AQLS:
            accept = cell(letter, aql)
            if isinstance(accept, int):
                at_aql = stats.poisson.cdf(accept, SAMPLE_SIZES[letter] * aql / 100)
                assert 0.87 < at_aql < 0.996


def test_arrows_lead_to_a_plan_within_two_letters():
    for level in LEVELS:
        for lot in LOTS:
            for aql in AQLS:
                found = single_plan(lot, level, aql)
                assert cell(found.letter, aql) == found.accept and found.n <= lot
                if found.letter != found.asked:
                    assert cell(found.asked, aql) in ("up", "down")


@pytest.mark.parametrize(
    ("lot", "aql", "letter", "n", "accept"),
    [
        (500, 0.25, "H", 50, 0),
        (500, 0.4, "G", 32, 0),  # arrow up
        (500, 0.65, "J", 80, 1),  # arrow down
        (500, 0.1, "K", 125, 0),  # far to the left: down
        (90, 1.0, "E", 13, 0),
        (90, 1.5, "D", 8, 0),
        (8, 0.65, "F", 8, 0),  # 20 asked for, the lot has 8
        (10_000, 0.65, "L", 200, 3),
    ],
)
def test_arrows_are_followed(lot, aql, letter, n, accept):
    # From memory of table II-A.
    found = single_plan(lot, "II", aql)
    assert (found.letter, found.n, found.accept) == (letter, n, accept)


@pytest.mark.parametrize(("lot", "level", "letter"), [
    (8, "II", "A"), (9, "II", "B"), (150, "II", "F"), (151, "II", "G"), (500, "I", "F"), (500, "III", "J"),
    (1201, "II", "K"),
    (3200, "S-4", "G"), (10_000, "S-1", "C"), (500_001, "III", "R"), (500_000, "II", "P"), (10**9, "S-3", "H"),
])  # fmt: skip
def test_lots_have_their_letter(lot, level, letter):
    # From memory of table I.
    assert code_letter(lot, level) == letter


def test_letters_never_fall_as_lots_grow():
    for level in LEVELS:
        letters = [
            code_letter(lot, level)
            for lot in (2, 9, 16, 26, 51, 91, 151, 281, 501, 1201, 3201, 10_001, 35_001, 150_001, 500_001)
        ]
        assert all(LETTERS.index(a) <= LETTERS.index(b) for a, b in pairwise(letters))


# ---- second routes ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("lot", "n", "accept"), [(20, 19, 0), (500, 50, 1), (37, 12, 3), (10_000, 800, 14), (5, 5, 0)])
def test_lots_are_accepted_as_scipy_says(lot, n, accept):
    bad = np.unique(np.linspace(0, lot, 23).astype(int))
    wanted = stats.hypergeom.cdf(accept, lot, bad, n)
    assert accept_from_lot(lot, n, accept, bad) == pytest.approx(wanted, abs=1e-10)
    assert accept_from_process(n, accept, bad / lot) == pytest.approx(stats.binom.cdf(accept, n, bad / lot), abs=1e-12)


@pytest.mark.parametrize(
    ("lot", "limit", "risk"), [(37, 0.07, 0.1), (1000, 0.013, 0.05), (61, 0.5, 0.2), (20, 0.05, 0.05)]
)
def test_zero_acceptance_sizes_are_the_least(lot, limit, risk):
    n, bad = zero_acceptance_size(lot, limit, risk)
    assert bad == np.ceil(round(limit * lot, 9))
    assert stats.hypergeom.pmf(0, lot, bad, n) <= risk * (1 + 1e-9)
    assert n == 1 or stats.hypergeom.pmf(0, lot, bad, n - 1) > risk


@pytest.mark.parametrize("probability", [0.95, 0.5, 0.1])
def test_the_points_of_a_curve_lie_on_it(probability):
    share = share_accepted_with(50, 1, probability)
    assert stats.binom.cdf(1, 50, share) == pytest.approx(probability, abs=1e-10)


def test_lots_are_accepted_as_often_as_drawn():
    generator = np.random.default_rng(8)
    drawn = generator.hypergeometric(25, 475, 50, size=200_000)
    assert accept_from_lot(500, 50, 1, [25])[0] == pytest.approx(np.mean(drawn <= 1), abs=0.004)


# ---- degenerate input ------------------------------------------------------------------------------------------------


def test_a_small_lot_is_inspected_whole():
    found = plan(PlanInputs(lot=8, aql="0.65"))
    assert found.whole_lot and found.share_95 is None and plan_plot(PlanInputs(lot=8), found) == ()
    assert found.sentence.startswith("Inspect the whole lot of 8")
    assert zero_plan(ZeroInputs(lot=1)).sentence.startswith("Inspect all")


def test_a_share_below_one_item_means_one_item():
    assert zero_acceptance_size(20, 0.001, 0.1) == (18, 1)


def test_a_lot_without_or_of_nothing_but_faults():
    assert accept_from_lot(10, 3, 0, [0, 10]).tolist() == [1.0, 0.0]
    result = characteristic(CharacteristicInputs(n=3, lot=10, share=1.0))
    assert result.accepted == 0.0 and result.bad == 10


def test_an_aql_may_be_given_as_a_number():
    assert run(find("sampling-plan"), {"lot": 500, "aql": 2.5})[1].accept == 3


@pytest.mark.parametrize(
    ("inputs", "where"),
    [
        (CharacteristicInputs(n=5, accept=5), ("/accept", "bad-sample")),
        (CharacteristicInputs(n=5, lot=4), ("/n", "bad-sample")),
    ],
)
def test_what_does_not_fit_is_refused_at_its_place(inputs, where):
    with pytest.raises(Refused) as caught:
        characteristic(inputs)
    assert (caught.value.problems[0].path, caught.value.code) == where


def test_bad_figures_are_refused_by_name():
    for call, code in [
        (lambda: code_letter(1, "II"), "bad-lot"),
        (lambda: code_letter(10, "IV"), "unknown-level"),
        (lambda: cell("H", 0.3), "unknown-aql"),
        (lambda: cell("I", 1.0), "unknown-letter"),
        (lambda: accept_from_lot(5, 6, 0, [1]), "bad-sample"),
        (lambda: accept_from_lot(5, 2, 0, [6]), "bad-count"),
        (lambda: share_accepted_with(2, 2, 0.1), "bad-sample"),
        (lambda: zero_acceptance_size(0, 0.1, 0.1), "bad-lot"),
        (lambda: zero_acceptance_size(5, 1.0, 0.1), "bad-share"),
    ]:
        with pytest.raises(InputError) as caught:
            call()
        assert caught.value.code == code
