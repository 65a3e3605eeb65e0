"""Characteristics through their services."""

from decimal import Decimal

import pytest

from logbook.models import Entry
from parts import services
from parts.errors import NotNow, Refusal, RowsRefused
from tests import make

pytestmark = pytest.mark.django_db


@pytest.fixture
def revision(lead):
    return make.revision(author=lead, state="in preparation")


def added(revision, **fields):
    standard = {"name": "Length", "lower": Decimal(599), "upper": Decimal(601), "by": revision.author}
    return services.add_characteristic(revision, **(standard | fields))


def measured(characteristic):
    by = characteristic.revision.author
    cast = make.cast(characteristic.revision, by)
    return make.measurement(cast, characteristic, 600, by, make.instrument())


def test_a_row_takes_the_next_number(revision):
    make.characteristic(revision, 7)
    assert added(revision).number == 8


@pytest.mark.parametrize(
    ("fields", "field"),
    [
        ({"number": 1}, "number"),
        ({"lower": Decimal(602)}, "lower"),
        ({"lower": None, "upper": None}, "lower"),
        ({"nominal": Decimal(600), "lower": Decimal("-0.5"), "upper": Decimal("0.5")}, "lower"),
        ({"kind": "angle"}, "unit"),
        ({"kind": "mass", "unit": "mm"}, "unit"),
        ({"unit": "kg"}, "unit"),
        ({"name": ""}, "name"),
        ({"upper": Decimal("1e12")}, "upper"),
    ],
)
def test_a_row_that_cannot_be_names_its_field(revision, fields, field):
    make.characteristic(revision, 1)
    with pytest.raises(Refusal) as refusal:
        added(revision, **fields)
    assert refusal.value.field == field
    assert revision.characteristics.count() == 1
    assert not Entry.objects.exists()


def test_what_a_reading_was_judged_by_stays_once_there_is_one(revision):
    row = make.characteristic(revision)
    measured(row)
    with pytest.raises(NotNow, match="has been measured, so its upper limit stays") as refusal:
        services.change_characteristic(row, upper=Decimal(602), by=revision.author)
    assert refusal.value.field == "upper"
    services.change_characteristic(row, name="Overall length", by=revision.author)
    row.refresh_from_db()
    assert (row.name, row.upper) == ("Overall length", Decimal(601))


def test_a_row_is_removed_while_in_preparation(revision):
    row = make.characteristic(revision)
    services.remove_characteristic(row, by=revision.author)
    assert not revision.characteristics.exists()
    assert Entry.objects.get().sentence == "Characteristic 1 Length taken out of SB-02 A."


def test_a_measured_row_stays(revision):
    row = make.characteristic(revision)
    measured(row)
    with pytest.raises(NotNow, match="has been measured, so it stays"):
        services.remove_characteristic(row, by=revision.author)
    assert revision.characteristics.exists()
    assert not Entry.objects.exists()


def test_a_row_stays_once_on_trial(revision):
    row = make.characteristic(revision)
    services.start_trial(revision, by=revision.author)
    with pytest.raises(NotNow, match="is on trial"):
        services.remove_characteristic(row, by=revision.author)


def test_an_import_adds_all_rows_with_one_entry(revision):
    rows = [{"number": n, "name": f"Width {n}", "lower": Decimal(1), "upper": Decimal(2)} for n in (3, 1, 2)]
    services.import_characteristics(revision, rows, by=revision.author)
    assert list(revision.characteristics.values_list("number", flat=True)) == [1, 2, 3]
    assert Entry.objects.get().details == {"numbers": [3, 1, 2]}


def test_an_import_adds_nothing_when_a_row_is_wrong_and_names_every_wrong_row(revision):
    make.characteristic(revision, 1)
    rows = [
        {"number": 1, "name": "Taken", "upper": Decimal(2)},
        {"number": 2, "name": "Good", "upper": Decimal(2)},
        {"number": 2, "name": "Twice", "upper": Decimal(2)},
        {"number": 3, "name": "Swapped", "lower": Decimal(2), "upper": Decimal(1)},
    ]
    with pytest.raises(RowsRefused) as refusal:
        services.import_characteristics(revision, rows, by=revision.author)
    assert set(refusal.value.rows) == {0, 2, 3}
    assert "Number 2 is “Good” already" in refusal.value.rows[2][0]
    assert revision.characteristics.count() == 1


def test_an_import_of_nothing_is_refused(revision):
    with pytest.raises(Refusal, match="no row to import"):
        services.import_characteristics(revision, [], by=revision.author)
