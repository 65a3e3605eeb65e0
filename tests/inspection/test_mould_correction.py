"""Mould correction: asked for, worked out, made into a mould, and what it brought."""

import io
from datetime import date, timedelta
from decimal import Decimal

import numpy as np
import pytest

from inspection import correction_job, patterns
from inspection.mould_models import MouldCorrection
from inspection.services import mould_correction as services
from logbook.files import local_path
from logbook.models import Entry
from logbook.tidying import unreferenced
from metrology.reading import read_mesh
from metrology.surfaces.mesh_facts import mesh_facts
from metrology.surfaces.surface import prepare
from parts.services.geometry import nominal_mesh
from tests import make
from tests.inspection.scanned_casts import SURFACE, blank_pictures, grown, scanned
from tests.make import NOON
from tests.refusals import refused

pytestmark = pytest.mark.django_db
SETTINGS = {"smoothing": Decimal(80), "most": Decimal(3)}
LATER = NOON + timedelta(days=60)


@pytest.fixture(autouse=True)
def no_pictures(monkeypatch):
    blank_pictures(monkeypatch)


@pytest.fixture
def mould(block):
    return make.mould(block, kind="two-part")


@pytest.fixture
def three(block, mould, arm, technician):
    return scanned(block, mould, arm, technician, [grown(-0.0048), grown(-0.005), grown(-0.0052)])


@pytest.fixture
def asked(block, mould, three, lead):
    return services.work_out_correction(mould, block, by=lead, **SETTINGS)


@pytest.fixture
def done(asked):
    return worked_out(asked)


@pytest.fixture
def made(done, lead):
    return services.log_mould_made(done, by=lead, made_on=date(2026, 5, 20), at=LATER)


def worked_out(row):
    correction_job.run(row.pk, row.attempt)
    row.refresh_from_db()
    return row


# ---- working it out --------------------------------------------------------------------------------------------------


def test_a_correction_is_foretold_and_its_surface_put_on_file(done):
    assert done.state == "done" and done.error == ""
    assert done.sentence.startswith("Should bring the systematic error from")
    figures = done.figures
    assert figures["foretold"]["rms"] < 0.15 * figures["before"]["rms"]
    assert figures["factors"] == pytest.approx([1 / 0.995] * 3, abs=2e-4)
    assert figures["checks"]["closed"] and not figures["checks"]["crossing"]


def test_the_surface_is_the_corrected_cavity_in_millimetres(done, block):
    with local_path(done.surface) as path:
        cavity = read_mesh(path, unit="mm")
        head = path.read_bytes()[:80]
    nominal = nominal_mesh(block.geometry.get())
    assert mesh_facts(cavity).watertight
    assert cavity.size == pytest.approx(nominal.size / 0.995, abs=0.1)
    assert head.startswith(b"Cavity surface, MC-01 of M-01, mm")


def test_change_before_and_foretold_are_drawn(done):
    kinds = {(picture.kind, picture.view) for picture in done.pictures.all()}
    assert kinds == {(kind, view) for kind in ("change", "before", "foretold") for view in correction_job.VIEWS}


def test_every_step_is_in_the_logbook_with_the_surfaces_hash(done, lead):
    entries = list(Entry.objects.order_by("number").values_list("act", "who_name"))
    assert entries == [("mould-correction.asked", str(lead)), ("mould-correction.done", "")]
    assert Entry.objects.get(act="mould-correction.done").details["surface"] == done.surface.sha256


def test_its_files_are_not_tidied_away(done):
    left = set(unreferenced(LATER + timedelta(days=9999)).values_list("pk", flat=True))
    assert not left & {done.surface_id, done.data_id, *done.pictures.values_list("file_id", flat=True)}


def test_only_the_casts_chosen_are_used(block, mould, three, lead):
    row = worked_out(
        services.work_out_correction(mould, block, by=lead, serials=["TP-SB-0001", "TP-SB-0003"], **SETTINGS)
    )
    assert [serial for serial, _, _ in row.evidence] == ["TP-SB-0001", "TP-SB-0003"]
    assert row.figures["before"]["casts"] == 2 and row.figures["foretold"]["low"] is None


def test_the_next_correction_starts_from_the_mould_that_was_made(block, made, arm, technician, lead):
    scanned(block, made.made, arm, technician, [0.0, 0.0, 0.0], first=11)
    row = worked_out(services.work_out_correction(made.made, block, by=lead, **SETTINGS))
    assert row.code == "MC-02" and row.figures["factors"] == [1.0, 1.0, 1.0]
    assert [axis["mould_scale"] for axis in row.figures["shrinkage"]] == pytest.approx([1 / 0.995] * 3, abs=3e-4)
    surface = prepare(nominal_mesh(block.geometry.get()))
    first, second = patterns.loaded(made.data), patterns.loaded(row.data)
    assert np.abs(np.ptp(first.moved, axis=0) - np.ptp(second.moved, axis=0)).max() < 0.02
    assert np.array_equal(patterns.pattern_of(made.made, surface, row.nominal).moved, first.moved)


def test_a_mould_with_a_scale_and_no_correction_starts_from_that_scale(block, lead):
    mould = make.mould(block, "M-05", scale_x="1.01")
    pattern = patterns.pattern_of(mould, SURFACE, block.geometry.get())
    assert np.ptp(pattern.moved, axis=0) == pytest.approx(np.ptp(pattern.nominal, axis=0) * [1.01, 1, 1])


def test_a_correction_is_carried_over_to_a_new_nominal(block, made, lead):
    block.geometry.update(current=False)
    other = make.geometry(block, lead, content=b"changed")
    carried = patterns.pattern_of(made.made, SURFACE, other)
    assert np.ptp(carried.moved, axis=0) == pytest.approx(np.ptp(carried.nominal, axis=0) / 0.995, abs=0.1)


def test_a_smoothing_length_too_short_for_the_scans_fails_with_its_reason(block, mould, three, lead):
    row = worked_out(services.work_out_correction(mould, block, by=lead, smoothing=Decimal(2), most=Decimal(3)))
    assert (row.state, row.error_code) == ("failed", "smoothing")
    assert row.error.startswith("The smoothing length must lie between")
    assert row.surface is None and not row.pictures.exists()


# ---- refusals --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given", "code"),
    [
        ({"smoothing": Decimal(0)}, "smoothing"),
        ({"most": Decimal(-1)}, "most"),
        ({"damping": Decimal(0)}, "damping"),
        ({"damping": Decimal(101)}, "damping"),
        ({"serials": []}, "no-casts"),
        ({"serials": ["TP-SB-0001", "X"]}, "not-comparable"),
    ],
)
def test_settings_out_of_range_are_refused(block, mould, three, lead, given, code):
    refused(code, services.work_out_correction, mould, block, by=lead, **SETTINGS | given)


def test_without_scanned_casts_it_is_refused(block, mould, lead):
    refused("no-casts", services.work_out_correction, mould, block, by=lead, **SETTINGS)


def test_a_mould_is_made_only_from_what_was_worked_out(asked, lead):
    refused("not-done", services.log_mould_made, asked, by=lead, made_on=date(2026, 5, 20))


def test_one_mould_is_made_from_a_correction(made, lead):
    refused("made-already", services.log_mould_made, made, by=lead, made_on=date(2026, 5, 21), at=LATER)


def test_a_refusal_of_the_casting_room_leaves_nothing_behind(done, lead):
    refused("code-taken", services.log_mould_made, done, by=lead, made_on=date(2026, 5, 20), code="M-01", at=LATER)


# ---- the mould and what it brought -----------------------------------------------------------------------------------


def test_the_mould_made_corrects_the_one_before_and_carries_its_scale(made, mould):
    new = made.made
    assert (new.corrects, new.kind, new.pull) == (mould, "two-part", "+z")
    assert float(new.scale_x) == pytest.approx(1 / 0.995, abs=2e-4)
    assert new.correction.startswith("Made from MC-01: surface changed by up to")
    assert Entry.objects.filter(act__in=("mould.logged", "mould-correction.made")).count() == 2


def test_what_it_brought_stands_beside_what_was_foretold(block, made, arm, technician, lead):
    scanned(block, made.made, arm, technician, [grown(-0.0002), grown(-0.0004), grown(-0.0003)], first=11)
    effect = services.find_effect(made, by=lead)
    assert correction_job.run_effect(effect.pk, 1)
    effect.refresh_from_db()
    assert effect.state == "done", effect.error
    assert effect.sentence.startswith("The systematic error came down from")
    assert effect.figures["gain"] == pytest.approx(0.94, abs=0.03)
    assert effect.figures["removed_share"] == pytest.approx(0.94, abs=0.03)
    assert made.pictures.filter(kind="brought").count() == len(correction_job.VIEWS)
    assert Entry.objects.filter(act="mould-correction.brought", subject_id=str(made.pk)).exists()


def test_what_it_brought_is_found_again_when_more_casts_are_scanned(block, made, arm, technician, lead):
    scanned(block, made.made, arm, technician, [0.0], first=11)
    first = services.find_effect(made, by=lead)
    correction_job.run_effect(first.pk, 1)
    scanned(block, made.made, arm, technician, [0.0], first=12)
    second = services.find_effect(made, by=lead)
    correction_job.run_effect(second.pk, 1)
    second.refresh_from_db()
    assert second.figures["after"]["casts"] == 2
    assert made.pictures.filter(kind="brought").count() == len(correction_job.VIEWS)


def test_nothing_was_brought_before_a_mould_was_made(done, lead):
    refused("not-made", services.find_effect, done, by=lead)


def test_nothing_was_brought_before_a_cast_was_scanned(made, lead):
    refused("no-casts", services.find_effect, made, by=lead)


def test_it_is_not_found_twice_at_a_time(block, made, arm, technician, lead):
    scanned(block, made.made, arm, technician, [0.0], first=11)
    services.find_effect(made, by=lead)
    refused("under-way", services.find_effect, made, by=lead)


def test_scans_that_changed_meanwhile_end_it_with_a_reason(block, made, arm, technician, lead):
    scanned(block, made.made, arm, technician, [0.0], first=11)
    effect = services.find_effect(made, by=lead)
    scanned(block, made.made, arm, technician, [0.0], first=12)
    correction_job.run_effect(effect.pk, 1)
    effect.refresh_from_db()
    assert (effect.state, effect.error_code) == ("failed", "scans-changed")


def test_the_pattern_is_kept_to_the_last_digit(done):
    pattern = patterns.loaded(done.data)
    content = io.BytesIO(patterns.stored(pattern))
    with np.load(content) as kept:
        assert np.array_equal(kept["moved"], pattern.moved) and np.array_equal(kept["faces"], pattern.faces)


def test_a_second_worker_cannot_claim_the_same_attempt(asked):
    assert correction_job.run(asked.pk, 1) and not correction_job.run(asked.pk, 1)
    assert MouldCorrection.objects.get().attempt == 1
