"""U against the tolerance. The quarter is common practice, no source; the ratios are arithmetic."""

import pytest

from metrology.errors import InputError
from metrology.statistics.instrument import fitness


@pytest.mark.parametrize(
    ("uncertainty", "lower", "upper", "nominal", "result", "ratio"),
    [
        (0.25, -1.0, 1.0, None, "pass", 0.25),
        (0.251, -1.0, 1.0, None, "fail", 0.251),
        (0.05, 599.9, 600.1, None, "fail", 0.5),
        (0.025, 599.9, 600.1, None, "pass", 0.25),  # exactly a quarter of 0.1, which binary sums would miss
        (0.0, 599.9, 600.1, None, "pass", 0.0),
        (0.5, None, 12.0, 10.0, "pass", 0.25),
        (0.6, 8.0, None, 10.0, "fail", 0.3),
        (0.5, None, 12.0, None, "not applicable", None),
    ],
)
def test_an_instrument_is_judged_by_its_share_of_the_half_width(uncertainty, lower, upper, nominal, result, ratio):
    found = fitness(uncertainty, lower, upper, nominal=nominal)
    assert (found.result, found.ratio) == (result, ratio if ratio is None else pytest.approx(ratio))


def test_the_sentence_gives_the_share_and_what_would_do():
    found = fitness(0.3, -1.0, 1.0)
    assert found.sentence == (
        "The instrument is sure to 0.3\u00a0mm: 30\u00a0% of the tolerance half-width of 1\u00a0mm, "
        "more than the 25\u00a0% allowed. Use one that is sure to 0.25\u00a0mm or better."
    )
    assert found.largest == 0.25


def test_another_ratio_can_be_asked_for():
    assert fitness(0.3, -1.0, 1.0, worst_ratio=1 / 3).result == "pass"


@pytest.mark.parametrize(
    ("arguments", "nominal", "code"),
    [
        ((0.1, 1.0, 1.0), None, "no-tolerance"),
        ((0.1, None, 1.0), 1.5, "no-tolerance"),
        ((0.1, 1.0, -1.0), None, "limits-swapped"),
        ((-0.1, -1.0, 1.0), None, "negative-uncertainty"),
        ((0.1, -1.0, 1.0, 0.0), None, "bad-ratio"),
    ],
)
def test_figures_that_allow_no_judgement_are_refused_by_name(arguments, nominal, code):
    with pytest.raises(InputError) as refused:
        fitness(*arguments, nominal=nominal)
    assert refused.value.code == code
