"""Evidence is read for one revision or for many with the same number of queries."""

import pytest

from inspection.models import GaugeStudy, Instrument
from parts.models import Revision
from releases.gate import evaluate
from releases.queries import board
from releases.services import set_plan
from tests import make
from tests.inspection.rows import make_scan

pytestmark = pytest.mark.django_db


def lots(person, n):
    for k in range(n):
        revision = make.revision(make.component(f"SB-{k:02d}"), author=person, strength_required=40)
        batch = make.batch(person, f"B-{k:02d}")
        cast = make.cast(revision, person, f"TP-{k:04d}", batch=batch, mould=make.mould(revision, f"M-{k:02d}"))
        characteristic = make.characteristic(revision)
        make.measurement(cast, characteristic, 600, person, make.instrument(f"G-{k:02d}"))
        make.strength(batch, person, label=f"X-{k}")
        make.interface(revision.component, code=f"I-{k:02d}")
        make.lesson(revision.component, person, f"L-{k:02d}")
        make.question(make.mockup(f"MU-{k:02d}"), person, f"Q-{k:02d}", [revision.component])
        make.loop(person, f"LP-{k:02d}", [(612, 3), (revision.component, 1, -1)])
    return list(Revision.objects.select_related("component__kit", "author"))


@pytest.mark.parametrize("n", [2, 25])
def test_the_gate_of_many_revisions_costs_the_same_queries(lead, n, django_assert_max_num_queries):
    revisions = lots(lead, n)
    with django_assert_max_num_queries(27):
        readings = evaluate(revisions, make.NOON)
    assert len(readings) == n


@pytest.mark.parametrize("n", [2, 25])
def test_the_board_costs_the_same_queries(lead, n, django_assert_max_num_queries):
    lots(lead, n)
    with django_assert_max_num_queries(31):
        rows = board(make.kit(), make.NOON)
    assert [row.group for row in rows] == ["waiting"] * n


def test_evidence_without_change_has_the_same_hash(lead):
    (revision,) = lots(lead, 1)
    one, two = (evaluate([revision], make.NOON)[revision.pk] for _ in range(2))
    assert [row.evidence_hash for row in one.rows] == [row.evidence_hash for row in two.rows]


def test_a_new_measurement_changes_the_evidence_hash(lead):
    (revision,) = lots(lead, 1)
    before = evaluate([revision], make.NOON)[revision.pk]
    cast = revision.casts.get()
    make.measurement(cast, revision.characteristics.get(), 600.5, lead, cast.measurements.get().instrument)
    after = evaluate([revision], make.NOON)[revision.pk]
    changed = [a.code for a, b in zip(after.rows, before.rows, strict=True) if a.evidence_hash != b.evidence_hash]
    assert changed == ["characteristics", "closure"]


def test_scrapped_casts_are_no_evidence(lead):
    (revision,) = lots(lead, 1)
    revision.casts.update(standing="scrapped")
    rows = {row.code: row for row in evaluate([revision], make.NOON)[revision.pk].rows}
    assert rows["characteristics"].finding.code == "too-few"
    assert "1\u00a0cast scrapped" in rows["casts"].finding.sentence


def study_of(instrument, person, grr, code="GS-01", characteristic=None, state="complete"):
    return GaugeStudy.objects.create(
        kit=instrument.kit, code=code, instrument=instrument, characteristic=characteristic, what="Length", unit="mm",
        repeats=2, seed=1, state=state, planned_at=make.NOON, planned_by=person, completed_at=make.NOON, grr=grr,
    )  # fmt: skip


def row_of(revision, settings=None):
    if settings:
        set_plan(
            kit=revision.component.kit, component=None, by=revision.author,
            checks={"instrument": {"applies": True, "reason": "", "settings": settings}},
        )  # fmt: skip
    return next(row for row in evaluate([revision], make.NOON)[revision.pk].rows if row.code == "instrument")


def test_a_gauge_study_of_the_instrument_is_evidence_where_the_plan_asks(lead):
    (revision,) = lots(lead, 1)
    gauge = Instrument.objects.get()
    assert row_of(revision).finding.code == "fit"
    assert row_of(revision, {"worst_ratio": 0.25, "largest_grr": 0.3}).finding.code == "no-gauge-study"
    open_study = study_of(gauge, lead, None, "GS-09", state="under way")
    assert row_of(revision).finding.code == "no-gauge-study"
    open_study.delete()
    study_of(gauge, lead, 0.05)
    assert row_of(revision).finding.code == "fit" and "by GS-01" in row_of(revision).finding.sentence
    study_of(gauge, lead, 0.2, "GS-02", revision.characteristics.get())
    assert row_of(revision).finding.code == "gauge-unfit"


def test_a_value_that_a_scan_brought_needs_no_gauge_study(lead):
    (revision,) = lots(lead, 1)
    scanned = make_scan(revision.casts.get(), Instrument.objects.get(), lead, "S-01", state="failed")
    revision.characteristics.get().measurements.update(scan=scanned)
    assert row_of(revision, {"worst_ratio": 0.25, "largest_grr": 0.3}).finding.code == "fit"
