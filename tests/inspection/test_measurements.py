"""Measuring by hand: verdicts with the guard band, corrections, and what cannot be. All records are invented."""

from datetime import timedelta
from decimal import Decimal

import pytest

from inspection import services
from inspection.errors import InspectionRefusal
from inspection.queries import measurement_sheet, usual_instruments
from inspection.services import Reading
from logbook.models import Entry
from tests import make
from tests.make import NOON
from tests.refusals import refused

pytestmark = pytest.mark.django_db


@pytest.fixture
def cast(lead, technician):
    return make.cast(make.revision(author=lead), technician)


@pytest.fixture
def length(cast):
    return make.characteristic(cast.revision)  # 600, 599 to 601 mm


@pytest.fixture
def calliper(db):
    return make.instrument(uncertainty=Decimal("0.2"))


def record(cast, characteristic, value, by, instrument, **given):
    return services.record_measurement(
        cast, characteristic, value=Decimal(value), instrument=instrument, by=by, at=NOON + timedelta(days=2), **given
    )


@pytest.mark.parametrize(
    ("value", "result"),
    [
        ("600", "conforms"),
        ("600.8", "conforms"),  # exactly on the limit less U: counts as inside
        ("600.9", "inconclusive"),
        ("599.1", "inconclusive"),
        ("601.2", "inconclusive"),
        ("601.3", "does not conform"),
        ("598.7", "does not conform"),
    ],
)
def test_the_instruments_u_is_the_guard_band(cast, length, technician, calliper, value, result):
    row = record(cast, length, value, technician, calliper)
    assert (row.result, row.uncertainty) == (result, Decimal("0.2"))


def test_the_u_of_that_day_stays_when_the_instrument_is_calibrated_anew(cast, length, technician, calliper, lead):
    row = record(cast, length, "600", technician, calliper)
    services.change_instrument(
        calliper, by=lead, name="Long calliper", uncertainty=Decimal("0.05"), coverage_factor=2, basis="Certificate 12"
    )
    row.refresh_from_db()
    assert row.uncertainty == Decimal("0.2")


def test_a_correction_is_a_new_row_and_the_old_one_stays(cast, length, technician, calliper):
    first = record(cast, length, "602", technician, calliper)
    second = record(cast, length, "600", technician, calliper)
    first.refresh_from_db()
    assert (first.replaced, second.replaced) == (True, False)
    entry = Entry.objects.first()
    assert entry.details == {"1": ["602.0000", "600", "conforms"]}
    assert "1 of them corrected" in entry.sentence


def test_an_instrument_of_another_unit_is_refused(cast, length, technician):
    scale = make.instrument("G-02", kind="scale", unit="kg")
    said = refused("other-unit", record, cast, length, "600", technician, scale)
    assert (said.field, "in kg" in said.sentence, "in mm" in said.sentence) == ("instrument-1", True, True)


@pytest.mark.parametrize(("value", "meant"), [("60.0", "600"), ("6001", "600.1"), ("0.6", "600"), ("23.62", "599.948")])
def test_a_value_off_by_a_decimal_point_or_a_unit_is_asked_about(cast, length, technician, calliper, value, meant):
    assert (
        f"Did you mean {meant}\u00a0mm?" in refused("slip", record, cast, length, value, technician, calliper).sentence
    )


def test_a_value_that_is_merely_bad_is_taken(cast, length, technician, calliper):
    assert record(cast, length, "650", technician, calliper).result == "does not conform"


def test_a_characteristic_of_another_revision_is_refused(cast, technician, calliper, lead):
    other = make.characteristic(make.revision(cast.revision.component, "B", author=lead))
    refused("other-revision", record, cast, other, "600", technician, calliper)


def test_a_profile_that_the_scan_feeds_is_not_typed(cast, technician, calliper):
    profile = make.characteristic(cast.revision, 2, kind="profile", method="scan", nominal=0, lower=-1, upper=1)
    refused("from-scan", record, cast, profile, "0.5", technician, calliper)


@pytest.mark.parametrize(("days", "code"), [(-1, "before-pour"), (3, "future")])
def test_measuring_before_the_pour_or_in_the_future_is_refused(cast, length, technician, calliper, days, code):
    when = NOON + timedelta(days=days)
    refused(code, record, cast, length, "600", technician, calliper, measured_at=when)


def test_an_empty_sheet_is_refused(cast, technician):
    refused("empty", services.record_measurements, cast, [], by=technician)


def test_a_sheet_is_written_whole_or_not_at_all(cast, length, technician, calliper):
    second = make.characteristic(cast.revision, 2, name="Width", nominal=400, lower=399, upper=401)
    readings = [Reading(length, Decimal(600), calliper), Reading(second, Decimal(40), calliper)]
    refused("slip", services.record_measurements, cast, readings, by=technician)


def test_the_sheet_shows_what_counts_in_the_drawings_order(cast, length, technician, calliper):
    make.characteristic(cast.revision, 3, name="Height")
    make.characteristic(cast.revision, 2, name="Flatness")
    record(cast, length, "602", technician, calliper)
    record(cast, length, "600", technician, calliper)
    rows = measurement_sheet(cast)
    assert [(row.characteristic.number, row.result) for row in rows] == [
        (1, "conforms"),
        (2, "not measured"),
        (3, "not measured"),
    ]


def test_the_sheet_costs_the_same_for_2_and_20_characteristics(cast, technician, calliper, django_assert_num_queries):
    for number in range(1, 21):
        row = make.characteristic(cast.revision, number)
        make.measurement(cast, row, 600, technician, calliper)
    with django_assert_num_queries(2):
        assert [str(row.measurement.instrument) for row in measurement_sheet(cast)]


def test_the_usual_instrument_is_the_one_used_last(cast, length, technician, calliper):
    other = make.instrument("G-03")
    make.measurement(cast, length, 600, technician, other)
    make.measurement(cast, length, 600, technician, calliper, measured_at=NOON + timedelta(days=1))
    assert usual_instruments([length]) == {length.pk: calliper.pk}


def test_an_instrument_is_added_with_the_next_code(lead):
    row = services.add_instrument(make.kit(), by=lead, name="Arm scanner", kind="scanner", uncertainty=Decimal("0.12"))
    assert row.code == "G-01"
    assert "sure to 0.12\u00a0mm (k = 2)" in Entry.objects.get().sentence


@pytest.mark.parametrize(
    ("given", "code"),
    [
        ({"code": "g-01"}, "code-taken"),
        ({"uncertainty": Decimal("-0.1")}, "uncertainty"),
        ({"coverage_factor": Decimal("0.5")}, "coverage-factor"),
        ({"calibrated_on": NOON.date(), "due_on": NOON.date()}, "due-before"),
    ],
)
def test_an_instrument_with_impossible_figures_is_refused(lead, calliper, given, code):
    usual = {"by": lead, "name": "X", "kind": "scanner", "uncertainty": Decimal("0.1")}
    with pytest.raises(InspectionRefusal) as caught:
        services.add_instrument(make.kit(), **usual | given)
    assert caught.value.code == code


def test_a_new_u_says_what_it_rests_on_and_no_change_is_no_change(lead, calliper):
    same = {"by": lead, "name": calliper.name, "uncertainty": Decimal("0.2"), "coverage_factor": 2}
    calliper.refresh_from_db()
    with pytest.raises(InspectionRefusal, match="rests on"):
        services.change_instrument(calliper, **same | {"uncertainty": Decimal("0.1")})
    with pytest.raises(InspectionRefusal, match="Nothing"):
        services.change_instrument(calliper, **same)
