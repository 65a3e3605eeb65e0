"""Evidence is read for one revision or for many with the same number of queries."""

import pytest

from parts.models import Revision
from releases.gate import evaluate
from releases.queries import board
from tests import make

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
