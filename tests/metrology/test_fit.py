"""Gaps on a model and at full size. Lengths scale by geometric similarity (closed form)."""

import pytest

from metrology.closure.gap import judge_gap
from metrology.closure.scaling import full_size, gap_at_scale
from metrology.errors import InputError


@pytest.mark.parametrize(
    ("lower", "upper", "scale", "expected"),
    [
        (2.0, 6.0, 10, (0.2, 0.6)),
        (2.0, 6.0, 1, (2.0, 6.0)),
        (None, 6.0, 20, (None, 0.3)),
        (3.0, None, 2.5, (1.2, None)),
        (2.0, 6.0, 0.5, (4.0, 12.0)),
    ],
)
def test_limits_shrink_with_the_model(lower, upper, scale, expected):
    assert gap_at_scale(lower, upper, scale) == expected


def test_a_length_on_the_model_grows_back_to_full_size():
    assert full_size(0.4, 10) == 4.0
    assert full_size(gap_at_scale(2.0, 7.0, 3)[1], 3) == pytest.approx(7.0)


@pytest.mark.parametrize("scale", [0, -10, float("nan")])
def test_a_scale_that_cannot_be_is_refused(scale):
    with pytest.raises(InputError) as refused:
        gap_at_scale(1.0, 2.0, scale)
    assert refused.value.code in {"bad-scale", "not-a-number"}


@pytest.mark.parametrize(
    ("gap", "uncertainty", "scale", "result", "sentence"),
    [
        (4.2, 0.3, 1, "conforms", "The gap of 4.2 mm conforms: 2.0 to 6.0 mm after a 0.3 mm guard band."),
        (4.2, 0.0, 1, "conforms", "The gap of 4.2 mm conforms: 2.0 to 6.0 mm."),
        (1.2, 0.3, 1, "does not conform", "The gap of 1.2 mm is 0.8 mm too tight; allowed is 2.0 to 6.0 mm."),
        (7.4, 0.3, 1, "does not conform", "The gap of 7.4 mm is 1.4 mm too wide; allowed is 2.0 to 6.0 mm."),
        (-0.5, 0.3, 1, "does not conform", "The overlap of 0.5 mm is 2.5 mm too tight; allowed is 2.0 to 6.0 mm."),
        (
            5.8,
            0.3,
            1,
            "inconclusive",
            "The gap of 5.8 mm is too near the upper limit to tell: allowed is 2.0 to 6.0 mm, and the measurement is "
            "sure to 0.3 mm.",
        ),
        (
            0.42,
            0.05,
            10,
            "conforms",
            "The gap of 0.42 mm conforms: 0.20 to 0.60 mm at 1:10 after a 0.05 mm guard band.",
        ),
        (
            0.4,
            0.3,
            10,
            "inconclusive",
            "The gap of 0.4 mm is too near the upper limit to tell: allowed is 0.2 to 0.6 mm at 1:10, and the "
            "measurement is sure to 0.3 mm. The guard bands overlap: no value can be shown to conform. "
            "Use an instrument with a smaller uncertainty.",
        ),
    ],
)
def test_a_gap_is_judged_and_said(gap, uncertainty, scale, result, sentence):
    found = judge_gap(gap, 2.0, 6.0, uncertainty, scale)
    assert found.conformity.result == result
    assert found.sentence.replace("\u00a0", " ") == sentence


def test_one_sided_gaps_say_which_way():
    assert "too wide" in judge_gap(9.0, None, 6.0, 0.1).sentence
    assert "too tight" in judge_gap(1.0, 2.0, None, 0.1).sentence
    assert "6.0\u00a0mm or less" in judge_gap(9.0, None, 6.0, 0.1).sentence
