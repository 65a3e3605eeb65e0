"""Gauge studies: planned by a lead, run reading by reading, and what they say of an instrument. All invented."""

import uuid
from collections import Counter
from datetime import timedelta
from decimal import Decimal

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from inspection import services
from inspection.gauge_fitness import Studies, fit_of, fits_of, reach_of, tolerance_of
from inspection.gauge_models import GaugeStudy, GaugeStudyReading
from inspection.gauge_results import result_of
from inspection.run_order import run_order
from logbook.models import Entry
from tests import make
from tests.make import NOON
from tests.metrology.gauge_data import AIAG
from tests.refusals import refused

pytestmark = pytest.mark.django_db


def at(name, *args):
    return reverse(f"inspection:{name}", args=["TPW", *args])


@pytest.fixture
def length(lead):
    return make.characteristic(make.revision(author=lead), 2)  # 600, 599 to 601 mm


@pytest.fixture
def calliper(db):
    return make.instrument("G-01")


@pytest.fixture
def plan(calliper, length, lead, technician):
    """plan(…) is a study of three parts, two people, two readings each; what is given replaces the usual."""

    def act(**given):
        usual = {
            "instrument": calliper, "characteristic": length, "parts": ["P1", "P2", "P3"],
            "appraisers": [lead, technician], "repeats": 2, "by": lead, "seed": 7, "at": NOON,
        }  # fmt: skip
        return services.plan_gauge_study(make.kit(), **usual | given)

    return act


def value_of(row, spread=0.03):
    rng = np.random.default_rng(row.order)
    base = 599.7 + 0.3 * row.part.place + 0.01 * row.appraiser.place
    return Decimal(f"{base + spread * rng.standard_normal():.3f}")


def run(study, by, spread=0.03, until=None):
    for row in list(study.readings.filter(value__isnull=True).select_related("part", "appraiser").order_by("order")):
        if until is not None and row.order > until:
            break
        moment = NOON + timedelta(minutes=row.order)
        services.take_reading(row, value=value_of(row, spread), by=by, at=moment)
    study.refresh_from_db()
    return study


# ---- the run order ---------------------------------------------------------------------------------------------------


def test_the_order_has_every_reading_once_and_comes_back_from_its_seed():
    order = list(run_order(10, 3, 3, 42))
    assert Counter(order) == Counter((p, a, r) for p in range(10) for a in range(3) for r in range(3))
    assert order == list(run_order(10, 3, 3, 42)) != list(run_order(10, 3, 3, 43))


@pytest.mark.parametrize("seed", range(20))
def test_nobody_reads_one_part_twice_running(seed):
    for person in range(2):
        mine = [part for part, appraiser, _ in run_order(3, 2, 4, seed) if appraiser == person]
        assert all(one != other for one, other in zip(mine, mine[1:], strict=False))


def test_orders_of_different_rounds_differ():
    order = [part for part, _, _ in run_order(12, 1, 2, 5)]
    assert order[:12] != order[12:] and order[:12] != sorted(order[:12])


# ---- planning --------------------------------------------------------------------------------------------------------


def test_a_study_is_planned_with_its_readings_and_its_entry(plan, lead):
    make.cast(make.revision(make.component("SB-03"), author=lead), lead, "TP-SB-0009")
    study = plan(parts=["TP-SB-0009", "block 50"])
    assert study.code == "GS-01" and study.state == "planned" and study.readings.count() == 8
    assert [part.cast_id is not None for part in study.parts.all()] == [True, False]
    assert "2\u00a0parts, 2\u00a0appraisers" in Entry.objects.get(act="gauge-study.planned").sentence


def test_a_study_without_a_seed_draws_one(plan):
    assert plan(seed=None).seed != plan(seed=None).seed


@pytest.mark.parametrize(
    ("given", "code"),
    [
        ({"parts": ["P1"]}, "too-few-parts"),
        ({"parts": ["P1", "P2", "P1"]}, "part-twice"),
        ({"appraisers": []}, "no-appraiser"),
        ({"repeats": 0}, "too-few-readings"),
        ({"repeats": 20, "parts": [f"P{i}" for i in range(16)]}, "too-many"),
        ({"characteristic": None}, "no-subject"),
    ],
)
def test_a_plan_that_tells_nothing_is_refused(plan, given, code):
    refused(code, plan, **given)


def test_one_person_who_reads_once_is_refused(plan, lead):
    refused("too-few-readings", plan, appraisers=[lead], repeats=1)
    refused("person-twice", plan, appraisers=[lead, lead])


def test_only_what_a_hand_reads_can_be_studied(plan, length, calliper):
    refused("other-unit", plan, characteristic=make.characteristic(length.revision, 3, unit="kg"))
    refused("no-value", plan, characteristic=make.characteristic(length.revision, 4, method="gauge"))
    profile = make.characteristic(length.revision, 5, kind="profile", method="scan", nominal=0, lower=-1, upper=1)
    refused("no-value", plan, characteristic=profile)


# ---- running ---------------------------------------------------------------------------------------------------------


def test_the_last_reading_completes_the_study_by_the_registered_calculation(plan, technician):
    study = run(plan(), technician)
    result = result_of(study)
    assert study.state == "complete" and study.grr == result.grr > 0
    assert study.figures["grr_of_tolerance"] == pytest.approx(6 * study.grr / 2)
    assert Entry.objects.filter(act="gauge-study.read").count() == 12
    assert result.sentence in Entry.objects.get(act="gauge-study.completed").sentence


def test_a_study_of_the_manual_gives_the_figures_of_the_manual(plan, lead, second_lead, technician):
    study = plan(
        characteristic=None, what="example", tolerance=Decimal(10), parts=[f"P{i:02d}" for i in range(10)], repeats=3,
        appraisers=[lead, second_lead, technician],
    )  # fmt: skip
    for row in study.readings.select_related("part", "appraiser"):
        value = Decimal(f"{AIAG[row.part.place - 1, row.appraiser.place - 1, row.repeat - 1]:.2f}")
        services.take_reading(row, value=value, by=lead, at=NOON)
    study.refresh_from_db()
    # AIAG MSA, 4th edition, worked example by analysis of variance (from memory).
    assert study.grr == pytest.approx(0.302373, abs=5e-6) and study.figures["ndc"] == 4


def test_a_study_can_be_interrupted_and_taken_up(plan, technician):
    study = run(plan(), technician, until=5)
    assert study.state == "under way" and study.grr is None
    assert run(study, technician).state == "complete"


def test_a_reading_is_taken_once_and_in_its_order(plan, technician):
    study = plan()
    first, *_, last = study.readings.order_by("order")
    refused("not-next", services.take_reading, last, value=Decimal(600), by=technician)
    services.take_reading(first, value=Decimal(600), by=technician)
    refused("taken", services.take_reading, first, value=Decimal(601), by=technician)


def test_a_value_off_by_its_point_is_asked_about(plan, technician):
    refused("slip", services.take_reading, plan().readings.first(), value=Decimal("60.02"), by=technician)


def test_a_withdrawn_reading_stays_and_is_read_again_at_the_end(plan, technician):
    study = run(plan(), technician)
    bad = study.readings.get(order=3)
    again = services.withdraw_reading(bad, reason="Calliper slipped", by=technician, at=NOON)
    study.refresh_from_db()
    assert study.state == "under way" and study.grr is None and again.order == 13
    assert (again.part_id, again.appraiser_id, again.repeat) == (bad.part_id, bad.appraiser_id, bad.repeat)
    services.take_reading(again, value=bad.value, by=technician, at=NOON)
    study.refresh_from_db()
    assert study.state == "complete" and study.readings.get(order=3).withdrawn_why == "Calliper slipped"
    refused("not-counting", services.withdraw_reading, bad, reason="Again", by=technician)


def test_a_withdrawn_study_takes_nothing_more(plan, lead, technician):
    study = run(plan(), technician, until=3)
    services.withdraw_gauge_study(study, reason="Wrong calliper", by=lead, at=NOON)
    waiting = study.readings.filter(value__isnull=True).first()
    refused("closed", services.take_reading, waiting, value=Decimal(600), by=technician)
    refused("withdrawn", services.withdraw_reading, study.readings.first(), reason="x", by=technician)
    refused("withdrawn", services.withdraw_gauge_study, study, reason="x", by=lead)


# ---- fitness ---------------------------------------------------------------------------------------------------------


def test_a_study_of_the_characteristic_goes_before_one_of_the_whole_instrument(plan, length, calliper, technician):
    whole = run(plan(characteristic=None, what="blocks"), technician, spread=0.05)
    assert Studies.of([calliper]).speaking_for(calliper.pk, length, length.revision) == whole
    own = run(plan(), technician)
    assert Studies.of([calliper]).speaking_for(calliper.pk, length, length.revision) == own
    other = make.characteristic(length.revision, 9, name="Height")
    assert Studies.of([calliper]).speaking_for(calliper.pk, other, length.revision) == whole


def test_a_study_speaks_for_the_same_characteristic_of_the_next_revision(plan, length, calliper, lead, technician):
    own = run(plan(), technician)
    later = make.characteristic(make.revision(length.revision.component, "B", author=lead), 7, name="length")
    assert Studies.of([calliper]).speaking_for(calliper.pk, later, later.revision) == own


def test_an_instrument_says_which_tolerances_it_is_fit_for(plan, technician):
    study = run(plan(), technician)
    reach = reach_of(study)
    assert reach.fit == pytest.approx(60 * study.grr) and reach.marginal == pytest.approx(20 * study.grr)
    study.grr = 0.0
    assert reach_of(study) is None


@pytest.mark.parametrize(
    ("limits", "width"),
    [((599, 601, None), 2), ((None, 601, 600), 2), ((599, None, 600), 2), ((None, 601, None), None),
     ((600, 600, 600), None), ((599, None, 598), None)],
)  # fmt: skip
def test_the_tolerance_of_one_limit_needs_a_nominal(limits, width):
    assert tolerance_of(*limits) == width


def test_fits_are_listed_for_what_the_instrument_measured(plan, length, calliper, technician):
    piece = make.cast(length.revision, technician)
    make.measurement(piece, length, 600, technician, calliper)
    assert [(fit.characteristic, fit.word) for fit in fits_of(calliper)] == [(length, None)]
    run(plan(), technician)
    (fit,) = fits_of(calliper)
    assert fit.word == "fit" and fit.share == pytest.approx(fit_of(length, fit.study).share)


# ---- pages -----------------------------------------------------------------------------------------------------------


PLAN = {"what": "", "tolerance": "", "parts": "P1\nP2\n\nP3", "repeats": "2"}


@pytest.fixture
def browser(signed_in, lead):
    return signed_in(lead)


def test_a_lead_plans_a_study_on_its_page(browser, calliper, length, lead, technician):
    data = PLAN | {"instrument": calliper.pk, "characteristic": length.pk, "appraisers": [lead.pk, technician.pk]}
    assert "Draw the run order" in browser.get(at("gauge-study-plan") + "?instrument=G-01").content.decode()
    page = browser.post(at("gauge-study-plan"), data, follow=True).content.decode()
    assert "0 of 12 readings are taken" in page and GaugeStudy.objects.get().what == "Length"


def test_a_plan_that_is_refused_keeps_what_was_typed(browser, calliper, length, lead):
    data = PLAN | {"instrument": calliper.pk, "characteristic": length.pk, "appraisers": [lead.pk], "parts": "P1"}
    page = browser.post(at("gauge-study-plan"), data).content.decode()
    assert "Name two parts or more" in page and ">P1</textarea>" in page.replace("\n", "")


def test_readings_are_typed_one_by_one_without_seeing_earlier_ones(signed_in, plan, technician):
    study, browser = plan(), signed_in(technician)
    address = at("gauge-study-read", study.code, 2)
    mine = list(study.readings.filter(appraiser__place=2).select_related("part").order_by("order"))
    for number, row in enumerate(mine, 1):
        page = browser.get(address).content.decode()
        assert f"Reading {number} of 6" in page and f'<p class="gauge-name">{row.part}</p>' in page
        assert "600.1" not in page
        browser.post(address, {"value": "600,1", "order": row.order})
    assert "You have read everything" in browser.get(address).content.decode()
    assert "600.1" not in browser.get(at("gauge-study", study.code)).content.decode()


def test_a_reading_sent_twice_counts_once(signed_in, plan, technician):
    study, browser = plan(), signed_in(technician)
    row = study.readings.order_by("order").first()
    address = at("gauge-study-read", study.code, row.appraiser.place)
    data = {"value": "600.1", "order": row.order, "once": str(uuid.uuid4())}
    assert browser.post(address, data).status_code == browser.post(address, data).status_code == 302
    assert study.readings.filter(value__isnull=False).count() == 1
    late = browser.post(address, {"value": "600.2", "order": row.order})
    assert "already taken" in late.content.decode() and study.readings.get(pk=row.pk).value == Decimal("600.1")


def test_a_reading_may_come_in_the_units_of_the_person(signed_in, plan, technician):
    study, browser = plan(), signed_in(technician)
    row = study.readings.order_by("order").first()
    browser.post(at("gauge-study-read", study.code, row.appraiser.place), {"value": "23 5/8 in", "order": row.order})
    assert study.readings.get(pk=row.pk).value == Decimal("600.0750")


def test_a_complete_study_shows_what_it_says(browser, plan, technician):
    study = run(plan(), technician)
    page = browser.get(at("gauge-study", study.code)).content.decode()
    assert "The gauge is" in page and 'class="chart plot"' in page and "Analysis of variance" in page
    assert "Fit for tolerances of" in page and "nan" not in page.lower().replace("finance", "")


def test_a_reading_is_withdrawn_with_a_reason_on_its_page(signed_in, plan, technician):
    study, browser = run(plan(), technician), signed_in(technician)
    address = at("gauge-reading-withdraw", study.code, 4)
    assert "Why" in browser.get(address).content.decode()
    assert "required" in browser.post(address, {"reason": ""}).content.decode()
    page = browser.post(address, {"reason": "Slipped"}, follow=True).content.decode()
    assert "Slipped" in page and "12 of" not in page.split("Withdrawn")[0] or "11 of 12" in page


def test_the_instrument_page_says_what_it_is_fit_for(browser, plan, length, calliper, technician):
    make.measurement(make.cast(length.revision, technician), length, 600, technician, calliper)
    assert "No gauge study is complete" in browser.get(at("instrument", "G-01")).content.decode()
    run(plan(), technician)
    page = browser.get(at("instrument", "G-01")).content.decode()
    assert "fit for tolerances of" in page and "2.00\u00a0mm" in page and ">Fit<" in page.replace("\n", "")


WRITES = {
    "gauge-study-plan": ((), {}, "lead"),
    "gauge-study-withdraw": (("GS-01",), {"reason": "Wrong"}, "lead"),
    "gauge-study-read": (("GS-01", 1), {"value": "600.1", "order": "1"}, "technician"),
    "gauge-reading-withdraw": (("GS-01", 1), {"reason": "Slipped"}, "technician"),
}


@pytest.mark.parametrize("name", WRITES)
def test_who_may_not_write_is_refused_and_changes_nothing(request, name, plan, signed_in, lead):
    run(plan(), lead, until=1)
    args, data, least = WRITES[name]
    before = list(GaugeStudyReading.objects.values_list("value", "withdrawn_at")), Entry.objects.count()
    for who in ["visitor", "site_person", "stranger", *(["technician"] if least == "lead" else [])]:
        assert signed_in(request.getfixturevalue(who)).post(at(name, *args), data).status_code == 403
    assert (list(GaugeStudyReading.objects.values_list("value", "withdrawn_at")), Entry.objects.count()) == before


@pytest.mark.parametrize("name", WRITES)
def test_other_methods_are_refused(name, plan, browser):
    plan()
    assert browser.put(at(name, *WRITES[name][0])).status_code == 405


@pytest.mark.parametrize("name", ["gauge-studies", "instruments"])
def test_a_list_costs_the_same_for_2_and_20_studies(browser, plan, technician, name):
    run(plan(), technician)
    plan()
    with CaptureQueriesContext(
        connection,
    ) as few:
        browser.get(at(name))
    for _ in range(6):
        plan()
    for i in range(2):
        make.instrument(f"G-1{i}")
        run(plan(), technician)
    with CaptureQueriesContext(connection) as many:
        assert browser.get(at(name)).status_code == 200
    assert len(many) == len(few)
