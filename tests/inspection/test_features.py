"""Features of a scan: measured by its job, shown on its page, and fed to characteristics."""

from datetime import timedelta
from decimal import Decimal

import pytest
from django.urls import reverse

from inspection import jobs
from inspection import services as inspection
from inspection.models import Measurement
from inspection.services.measurements import Reading
from logbook.models import Entry
from metrology.surfaces.selection import Grown
from parts import services as parts
from parts.models import Feed
from tests import make
from tests.refusals import refused

pytestmark = pytest.mark.django_db

LIMITS = {"lower": Decimal(-1), "upper": Decimal(1)}
UNDERSIDE = Grown((0.0, 0.0, 0.0), 10.0, "seed", (0.0, 0.0, -1.0))
LAND = Grown((205.0, 0.0, 300.0), 10.0, "seed", (0.0, 0.0, 1.0))


@pytest.fixture
def fed(block, lead):
    """The block's height, from the front land to the underside, and the flatness of its land, from every scan."""
    height = make.characteristic(
        block, 2, name="Height", kind="length", method="scan", nominal=300, lower=299, upper=301
    )
    flat = make.characteristic(block, 3, name="Flat", kind="flatness", method="scan", nominal=0, lower=None, upper=1)
    features = {}
    for name, selection in (("land", LAND), ("underside", UNDERSIDE)):
        region = parts.add_region(block, name=name, selection=selection, **LIMITS, by=lead)
        features[name] = parts.add_feature(block, name=name, kind="plane", regions=[region], by=lead)
    parts.feed_characteristic(height, feature=features["land"], gives="distance", other=features["underside"], by=lead)
    parts.feed_characteristic(flat, feature=features["land"], gives="form", by=lead)
    return block


def run(scan):
    assert jobs.run(scan.pk, scan.attempt)
    scan.refresh_from_db()
    assert scan.state == "done", scan.error
    return scan


def other_file(ply):
    """The same points in a file of another hash."""
    return ply.replace(b"end_header", b"comment again\nend_header", 1)


def counted(number):
    return Measurement.objects.filter(characteristic__number=number, replaced=False)


def test_a_scan_writes_what_its_features_give_as_measurements(fed, upload, quick):
    scan = run(upload())
    height = counted(2).get()
    assert float(height.value) == pytest.approx(300, abs=0.1) and height.scan == scan and height.cast == scan.cast
    assert height.instrument == scan.instrument and height.result == "conforms"
    # Two faces, each sure to U of the scanner, and their scatter.
    assert 0.16 < float(height.uncertainty) < 0.25
    assert 0 < float(counted(3).get().value) < 0.3


def test_measured_again_the_earlier_value_of_the_scan_is_replaced(fed, upload, quick, technician):
    scan = run(upload())
    first = counted(2).get()
    inspection.run_again(scan, by=technician)
    run(scan)
    assert counted(2).get().pk != first.pk and counted(2).get().value == first.value
    assert Measurement.objects.filter(characteristic__number=2, replaced=True).get().pk == first.pk


def test_a_newer_scan_counts_and_an_older_one_does_not_come_back(fed, upload, quick, scan_ply):
    later = upload()
    run(later)
    earlier = upload(file=other_file(scan_ply))
    type(earlier).objects.filter(pk=earlier.pk).update(scanned_at=later.scanned_at - timedelta(days=1))
    earlier.refresh_from_db()
    run(earlier)
    assert counted(2).get().scan == later


def test_a_feature_that_is_no_longer_found_takes_its_value_back(fed, upload, quick, technician):
    scan = run(upload())
    region = fed.regions.get(name="land")
    region.selection = {"grown": {"seed": [0, 0, 900], "angle": 10, "against": "seed"}}
    region.save()
    inspection.run_again(scan, by=technician)
    run(scan)
    assert not counted(2).exists() and not counted(3).exists()
    said = {row["number"]: row["sentence"] for row in scan.result.figures["fed"]}
    assert "“land” was not measured" in said[2] and "finds no face" in said[3]


def test_a_fed_characteristic_cannot_be_typed(fed, piece, arm, technician):
    row = fed.characteristics.get(number=2)
    refused("from-scan", inspection.record_measurements, piece, [Reading(row, Decimal(300), arm)], by=technician)


def test_a_withdrawn_scan_takes_its_values_with_it(fed, upload, quick, technician):
    scan = run(upload())
    inspection.withdraw_scan(scan, by=technician, reason="wrong piece")
    assert not Measurement.objects.filter(replaced=False).exists()


def test_the_gate_counts_what_was_fed(fed, upload, quick):
    from releases.gate import characteristics

    run(upload())
    asked = characteristics.evidence([fed])[fed.pk].asked
    assert {item.name: len(item.readings) for item in asked} == {"Height": 1, "Flat": 1}


def test_the_page_shows_features_with_what_they_are_sure_to(fed, upload, quick, visitor, signed_in):
    scan = run(upload())
    text = signed_in(visitor).get(scan.get_absolute_url()).content.decode()
    assert "distance of land from underside" in text and "Least-squares plane, geometric" in text
    assert "instrument 0.240\u00a0mm" in text


def test_an_angle_is_written_as_the_drawing_counts_it(block, lead, upload, quick):
    row = make.characteristic(
        block, 4, name="Chamfer", kind="angle", unit="°", method="scan", nominal=135, lower=134, upper=136
    )
    chamfer = Grown((280.0, 0.0, 280.0), 10.0, "seed", (0.7071, 0.0, 0.7071))
    made = []
    for name, selection in (("chamfer", chamfer), ("land", LAND)):
        region = parts.add_region(block, name=name, selection=selection, **LIMITS, by=lead)
        made.append(parts.add_feature(block, name=name, kind="plane", regions=[region], by=lead))
    parts.feed_characteristic(row, feature=made[0], gives="angle", other=made[1], by=lead)
    run(upload())
    assert float(counted(4).get().value) == pytest.approx(135, abs=0.3)


def test_the_sheet_of_a_cast_costs_the_same_however_many_are_fed(
    fed, piece, technician, signed_in, django_assert_max_num_queries
):
    client, address = signed_in(technician), reverse("inspection:measure", args=[piece.kit.code, piece.serial])
    counts = []
    for numbers in ((), range(10, 16)):
        for number in numbers:
            row = make.characteristic(fed, number, name="Flat", kind="flatness", method="scan", lower=None, upper=1)
            Feed.objects.create(characteristic=row, feature=fed.features.get(name="land"), gives="form")
        with django_assert_max_num_queries(60) as used:
            client.get(address)
        counts.append(len(used))
    assert counts[0] == counts[1]


@pytest.fixture
def typed(fed, piece, technician, arm):
    """A height that was typed, before the characteristic was fed."""
    row = fed.characteristics.get(number=2)
    return Measurement.objects.create(
        cast=piece, characteristic=row, value=Decimal("300.4"), instrument=arm, uncertainty=Decimal("0.12"),
        result="conforms", measured_at=piece.poured_at, measured_by=technician,
    )  # fmt: skip


def test_a_typed_value_goes_on_counting_beside_that_of_the_scan(typed, upload, quick, technician, signed_in):
    scan = run(upload())
    assert counted(2).get() == typed
    assert Measurement.objects.get(characteristic__number=2, scan=scan).replaced
    assert Entry.objects.get(act="scan.measured").details["fed"]["2"][2] == "a typed value goes on counting"
    text = signed_in(technician).get(scan.get_absolute_url()).content.decode()
    assert "300.400\u00a0mm, typed by" in text and "Let this scan’s value count" in text


def test_a_person_lets_the_value_of_the_scan_count(typed, upload, quick, technician, signed_in):
    scan = run(upload())
    address = reverse("inspection:count_scan_value", args=[scan.kit.code, scan.code, 2])
    assert signed_in(technician).post(address).status_code == 302
    assert counted(2).get().scan == scan and Measurement.objects.get(pk=typed.pk).replaced
    assert "in place of 300.4, which was typed" in Entry.objects.get(act="cast.scan-value-counts").sentence
    inspection.run_again(scan, by=technician)
    run(scan)
    assert counted(2).get().scan == scan


def test_nobody_else_lets_it_count_and_a_link_does_not(typed, upload, quick, visitor, technician, signed_in):
    scan = run(upload())
    address = reverse("inspection:count_scan_value", args=[scan.kit.code, scan.code, 2])
    assert signed_in(visitor).post(address).status_code == 403
    assert signed_in(technician).get(address).status_code == 405
    assert counted(2).get() == typed


def test_what_cannot_count_is_refused(typed, upload, quick, technician, fed, scan_ply):
    scan, height, flat = run(upload()), typed.characteristic, fed.characteristics.get(number=3)
    profile = fed.characteristics.get(number=1)
    for row, code in ((flat, "nothing-typed"), (profile, "no-value")):
        refused(code, inspection.count_scan_value, scan, row, by=technician)
    later = upload(file=other_file(scan_ply))
    type(later).objects.filter(pk=later.pk).update(scanned_at=scan.scanned_at + timedelta(hours=1))
    later.refresh_from_db()
    run(later)
    refused("newer-scan", inspection.count_scan_value, scan, height, by=technician)
    inspection.withdraw_scan(later, by=technician, reason="wrong piece")
    refused("withdrawn", inspection.count_scan_value, later, height, by=technician)
    assert counted(2).get() == typed
    assert inspection.count_scan_value(scan, height, by=technician).scan == scan
