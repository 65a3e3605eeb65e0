"""The process check: only where a plan asks for it, decided by the functions of the characteristic's own page."""

from datetime import timedelta

import numpy as np
import pytest

from metrology.over_pours import Asked, over_pours
from parts.models import Revision
from releases import services
from releases.gate import evaluate, process
from tests import make
from tests.make import NOON

STEADY = tuple(np.round(np.random.default_rng(20261126).normal(600.0, 0.1, 30), 2).tolist())
WIDE = tuple(np.round(np.random.default_rng(20261126).normal(600.0, 0.45, 30), 2).tolist())


def series(values=STEADY, number=1, **given):
    usual = {"name": "Length", "lower": 599.0, "upper": 601.0, "unit": "mm", "decimals": 0, "url": "/c/1/"}
    return process.Series(
        number, values=tuple(values), uncertainties=(0.05,) * len(values), **usual | given
    )  # fmt: skip


def decide(*rows, **settings):
    return process.decide(process.Evidence(tuple(rows), 14, "/c/"), {**process.DEFAULTS, **settings}, NOON)


@pytest.mark.parametrize(
    ("rows", "settings", "verdict", "code"),
    [
        ([series()], {}, "not applicable", "not-asked"),
        ([], {"process": "stable"}, "missing", "none-drawn"),
        ([series(STEADY[:24])], {"process": "stable"}, "missing", "too-few"),
        ([series(())], {"process": "stable"}, "missing", "too-few"),
        ([series(STEADY[:24])], {"process": "stable", "fewest": 24}, "pass", "held"),
        ([series()], {"process": "stable"}, "pass", "held"),
        ([series(), series([*STEADY, 600.9], number=2)], {"process": "stable"}, "fail", "not-stable"),
        ([series([600.0] * 30)], {"process": "stable"}, "inconclusive", "no-spread"),
        ([series()], {"process": "capable"}, "pass", "held"),
        ([series(WIDE)], {"process": "capable"}, "fail", "not-capable"),
        ([series(WIDE)], {"process": "stable"}, "pass", "held"),
        ([series(STEADY)], {"process": "capable", "ppk": 3.2}, "inconclusive", "capability-not-shown"),
        ([series()], {"process": "share"}, "pass", "held"),
        ([series()], {"process": "share", "share": 0.9999999999999}, "inconclusive", "share-not-shown"),
        ([series(WIDE, lower=599.8, upper=600.2)], {"process": "share"}, "fail", "share"),
        ([series(WIDE, lower=None, upper=600.2)], {"process": "share"}, "fail", "share"),
    ],
)
def test_decisions(rows, settings, verdict, code):
    found = decide(*rows, **settings)
    assert (found.verdict, found.code) == (verdict, code), found.sentence
    assert found.sentence.endswith(".")


def test_values_that_are_not_normal_are_no_proof_of_capability():
    two_moulds = [599.8, 600.2] * 15
    found = decide(series(two_moulds), process="capable", rules="limits-only")
    assert found.verdict != "pass"


def test_the_sentence_is_that_of_the_characteristics_page():
    said = over_pours(WIDE, Asked(lower=599.0, upper=601.0, guard=0.05, pieces=14))
    assert said.capable_said in decide(series(WIDE), process="capable").sentence


def test_a_failure_names_its_characteristic_and_leads_to_it():
    found = decide(series([*STEADY, 600.9], number=7), process="stable")
    assert found.sentence.startswith("Number 7, Length: The process is not stable")
    assert [link.url for link in found.links] == ["/c/1/", "/c/"]


@pytest.fixture
def revision(db, lead, technician):
    revision = make.revision(author=lead)
    length = make.characteristic(revision)
    calliper = make.instrument()
    for n, value in enumerate(STEADY):
        cast = make.cast(revision, technician, f"TP-SB-{n:04d}", poured_at=NOON + timedelta(days=n),
                         demoulded_at=NOON + timedelta(days=n, hours=20))  # fmt: skip
        make.measurement(cast, length, value, technician, calliper)
    return Revision.objects.select_related("component__kit", "author").get(pk=revision.pk)


def row_of(revision):
    return next(row for row in evaluate([revision], NOON)[revision.pk].rows if row.code == "process")


def plan(kit, by, component=None, **settings):
    checks = {"process": {"applies": True, "settings": {**process.DEFAULTS, **settings}}}
    services.set_plan(kit=kit, component=component, checks=checks, by=by)


def test_without_a_plan_nothing_is_read_and_nothing_is_asked(revision):
    row = row_of(revision)
    assert (row.verdict, row.evidence.series) == ("not applicable", ())


def test_a_plan_that_asks_for_it_reads_the_casts_in_the_order_of_pouring(revision, lead):
    plan(make.kit(), lead, process="capable")
    row = row_of(revision)
    assert row.evidence.series[0].values == STEADY
    assert row.verdict == "pass", row.finding.sentence
    assert "stable with a Ppk of 1.33" in row.asked


def test_a_components_own_plan_goes_before_the_kits(revision, lead):
    plan(make.kit(), lead, process="capable")
    plan(make.kit(), lead, component=revision.component)
    assert row_of(revision).verdict == "not applicable"


@pytest.mark.parametrize("n", [2, 20])
def test_many_revisions_cost_two_queries_more(n, lead, django_assert_num_queries):
    for k in range(n):
        make.characteristic(make.revision(make.component(f"SB-{k:02d}"), author=lead))
    plan(make.kit(), lead, process="stable")
    revisions = list(Revision.objects.select_related("component__kit", "author"))
    with django_assert_num_queries(3):
        process.evidence(revisions)


def test_the_plan_page_offers_what_may_be_asked(revision, lead, signed_in):
    text = signed_in(lead).get("/TPW/parts/SB-02/gate-plan/").content.decode()
    assert "stable, with the least share of the casts to come" in text
