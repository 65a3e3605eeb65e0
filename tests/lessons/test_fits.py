"""Gaps judged in a trial, on a mock-up and on a model.

The limits of a 1 : n model are the full-size ones divided by n (geometric similarity, closed form); the decision rule
is checked in tests/metrology.
"""

from decimal import Decimal

import pytest

from lessons import services
from lessons.errors import LessonsRefusal
from lessons.models import FitCheck
from lessons.reading.trials import gap_in_words, limits_here, stands_for
from logbook.models import Entry
from tests import make, refusals

pytestmark = pytest.mark.django_db


def refused(code, *args, **given):
    return refusals.refused(code, services.log_fit_check, *args, **given)


@pytest.fixture
def trial(mockup, saddle, technician, later):
    return services.log_trial(mockup, pieces=[make.cast(saddle, technician)], by=technician)


@pytest.fixture
def small(model, saddle, technician):
    return services.log_trial(model, pieces=[saddle], by=technician)


@pytest.mark.parametrize(
    ("gap", "result"),
    [
        ("1.1", "conforms"),  # on the limit with the guard band
        ("3.9", "conforms"),
        ("1.05", "inconclusive"),
        ("4.1", "inconclusive"),
        ("0.89", "does not conform"),
        ("4.11", "does not conform"),
        ("-0.5", "does not conform"),
    ],
)
def test_a_gap_is_judged_with_the_u_of_the_instrument(gap, result, trial, joint, feeler, technician):
    check = services.log_fit_check(trial, joint, gap=Decimal(gap), instrument=feeler, by=technician)
    assert (check.result, check.uncertainty) == (result, Decimal("0.1"))


@pytest.mark.parametrize(
    ("gap", "result"), [("0.25", "conforms"), ("2.5", "does not conform"), ("0.05", "does not conform")]
)
def test_on_a_model_the_limits_are_divided_by_its_scale(gap, result, small, joint, technician):
    check = services.log_fit_check(small, joint, gap=Decimal(gap), uncertainty=Decimal("0.02"), by=technician)
    assert (check.lower, check.upper, check.result) == (Decimal("0.1"), Decimal("0.4"), result)


def test_limits_are_frozen_when_measured(trial, joint, feeler, technician, lead):
    check = services.log_fit_check(trial, joint, gap=Decimal("3.5"), instrument=feeler, by=technician)
    joint.upper = Decimal(3)
    joint.save()
    check.refresh_from_db()
    assert (check.upper, check.result) == (Decimal(4), "conforms")
    assert "conforms: 1.0 to 4.0\u00a0mm" in gap_in_words(check, 1).sentence


def test_one_limit_alone_is_enough(trial, saddle, cap, feeler, technician):
    wide = make.interface(saddle.component, cap.component, "I-02", lower=None, upper=3)
    check = services.log_fit_check(trial, wide, gap=Decimal(0), instrument=feeler, by=technician)
    assert (check.lower, check.result) == (None, "conforms")


def test_a_gap_without_u_is_refused(trial, joint, technician):
    refusal = refused("no-uncertainty", trial, joint, gap=Decimal(2), by=technician)
    assert refusal.field == "instrument"
    for nothing in ("0", "-0.1"):
        refusal = refused("no-uncertainty", trial, joint, gap=Decimal(2), uncertainty=Decimal(nothing), by=technician)
        assert refusal.field == "uncertainty"


def test_an_instrument_brings_its_own_u(trial, joint, feeler, technician):
    other = {"instrument": feeler, "uncertainty": Decimal("0.5"), "by": technician}
    assert refused("two-uncertainties", trial, joint, gap=Decimal(2), **other).field == "uncertainty"
    blank = make.instrument("G-03", uncertainty=Decimal(0))
    refused("no-uncertainty", trial, joint, gap=Decimal(2), instrument=blank, by=technician)
    scale = make.instrument("G-04", unit="kg")
    refused("other-unit", trial, joint, gap=Decimal(2), instrument=scale, by=technician)


def test_only_what_stands_in_the_trial_is_measured(trial, cap, lead, feeler, technician):
    panel = make.component("DP-01")
    away = make.interface(cap.component, panel, "I-07")
    refused("not-present", trial, away, gap=Decimal(2), instrument=feeler, by=technician)
    a, b = make.component("X-1", kit=make.kit("OTHER")), make.component("X-2", kit=make.kit("OTHER"))
    refused("other-kit", trial, make.interface(a, b), gap=Decimal(2), instrument=feeler, by=technician)


def test_the_entry_says_the_finding_and_its_figures(trial, joint, feeler, technician):
    services.log_fit_check(trial, joint, gap=Decimal("4.6"), where="pier 1", instrument=feeler, by=technician)
    entry = Entry.objects.order_by("number").last()
    assert "at pier 1: The gap of 4.6\u00a0mm is 0.6\u00a0mm too wide" in entry.sentence
    assert entry.details["U"] == "0.1"


def test_a_reading_entered_by_mistake_is_taken_out_with_a_reason(trial, joint, feeler, technician):
    check = services.log_fit_check(trial, joint, gap=Decimal(35), instrument=feeler, by=technician)
    with pytest.raises(LessonsRefusal):
        services.take_out_fit_check(check, reason=" ", by=technician)
    services.take_out_fit_check(check, reason="3.5 was meant", by=technician)
    assert not FitCheck.objects.exists()
    assert (
        "gap of 35\u00a0mm (does not conform) taken out. 3.5 was meant"
        in Entry.objects.order_by("number").last().sentence
    )


def test_after_the_end_a_reading_stays(trial, joint, feeler, technician):
    check = services.log_fit_check(trial, joint, gap=Decimal(35), instrument=feeler, by=technician)
    services.end_trial(trial, by=technician)
    with pytest.raises(LessonsRefusal):
        services.take_out_fit_check(check, reason="It looks bad", by=technician)
    assert FitCheck.objects.exists()


def test_what_a_gap_on_a_model_stands_for():
    assert stands_for(0.25, 10) == "0.25\u00a0mm here stands for 2.5\u00a0mm at full size."
    assert stands_for(-0.3, 12.5) == "0.3\u00a0mm of overlap here stands for 3.75\u00a0mm at full size."


def test_limits_are_said_at_both_sizes(joint):
    assert limits_here(joint, 1) == "1 to 4\u00a0mm"
    assert limits_here(joint, 10) == "0.1 to 0.4\u00a0mm here, 1 to 4\u00a0mm at full size"
