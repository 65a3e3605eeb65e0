"""From a record to the page that calculates with its figures."""

import html
import json
from datetime import timedelta
from urllib.parse import parse_qs, urlsplit

import pytest
from django.urls import reverse

from casting import what_if as of_casting
from inspection import what_if as of_inspection
from inspection.mould_models import CastsCompared
from lessons import what_if as of_lessons
from lessons.models import FitCheck
from metrology.calculations.registry import find
from metrology.calculations.running import run
from proofmark.numbers.given import filled_address, given_sheet
from tests import make


@pytest.fixture
def revision(db, lead):
    return make.revision(author=lead, strength_required=40)


@pytest.fixture
def browser(revision, signed_in, lead):
    return signed_in(lead)


def said(response):
    return html.unescape(response.content.decode())


def doors(response):
    """Address → (calculation, its inputs) of every link of the zone."""
    found = {}
    for piece in said(response).split('href="')[1:]:
        address = piece.split('"')[0]
        if "/numbers/" in address and "given=" in address:
            asked = parse_qs(urlsplit(address).query)
            found[address] = (urlsplit(address).path.strip("/").split("/")[-1], json.loads(asked["given"][0]))
    return found


def page_of(browser, name, given, whose="cast TP-SB-0001", back="/TPW/casts/TP-SB-0001/"):
    kit = make.kit()
    return browser.get(filled_address(kit, name, given, whose, back))


def test_a_page_is_filled_with_the_figures_of_the_record(browser):
    page = page_of(browser, "lift-mass", {"mass": 291.4})
    assert page.context["sheet"].good and "291 kg" in page.context["shown"].sentence.replace("\u00a0", " ")
    assert 'value="291.4"' in said(page) and 'Figures of <a href="/TPW/casts/TP-SB-0001/">cast TP-SB-0001</a>' in said(
        page
    )


def test_what_the_record_does_not_hold_stands_empty_and_is_named(browser):
    page = page_of(browser, "strength-acceptance", {"tests": [41.0, 43.5, 44.0]})
    sheet = page.context["sheet"]
    assert not sheet.good and sheet.missing == ["Specified strength f'c"] and "shown" not in page.context
    assert "still to fill in: Specified strength f'c" in said(page) and 'role="alert"' not in said(page)


def test_the_worked_example_never_fills_a_gap_of_the_record(browser):
    page = page_of(browser, "evaporation-rate", {"air_temperature": 21.5})
    typed = {box.name: box.text for box in page.context["sheet"].boxes}
    assert typed["air_temperature"] == "21.5"
    assert typed["concrete_temperature"] == typed["humidity"] == typed["wind"] == ""
    assert typed["critical_from"] == "1"


def test_a_table_that_is_not_given_stands_empty(browser):
    page = page_of(browser, "batch-proportions", {"mass": 25})
    assert "Mix" in page.context["sheet"].missing and 'value="cement"' not in said(page)


def test_what_only_the_calculation_misses_is_asked_for_and_no_error(browser):
    page = page_of(browser, "sling-force", {"mass": 288.5})
    assert "still to fill in: Angle of the legs" in said(page) and 'role="alert"' not in said(page)


def test_figures_come_in_the_units_of_the_person(browser):
    browser.get(reverse("numbers:list", args=["TPW"]) + "?units=us")
    page = page_of(browser, "lift-mass", {"mass": 45.359237})
    assert 'value="100"' in said(page)


@pytest.mark.parametrize(
    "given", ["{", "[]", '"x"', '{"mass":"heavy"}', '{"no such field":1}', '{"mass":-4}', "[" * 5000]
)
def test_a_broken_address_shows_the_worked_example(given, browser):
    page = browser.get(reverse("numbers:page", args=["TPW", "lift-mass"]), {"given": given})
    assert page.status_code == 200 and page.context["is_example"]
    assert given_sheet(find("lift-mass"), given, "metric") is None


@pytest.mark.parametrize(
    "back", ["https://example.org/", "//example.org", "/OTHER/casts/X/", "javascript:alert(1)", "/TPW/\\x"]
)
def test_only_pages_of_the_kit_are_linked_back(back, browser):
    page = page_of(browser, "lift-mass", {"mass": 1}, back=back)
    assert page.context["source"] is None and "Figures of" not in said(page)


def test_whose_figures_they_are_is_shown_as_words_only(browser):
    page = page_of(browser, "lift-mass", {"mass": 1}, whose="<b>me</b>")
    assert b"<b>me</b>" not in page.content


def test_whose_they_are_stays_on_the_page_after_calculating(browser):
    sent = {"calculate": "1", "mass": "10", "whose": "cast X", "from": "/TPW/casts/X/", "inserts": "1"}
    sent |= {name: "1" for name in ("density", "fittings", "contact_area", "adhesion", "demould_factor", "lift_factor")}
    sent |= {"insert_factor": "4", "hardware_factor": "5"}
    page = browser.get(reverse("numbers:page", args=["TPW", "lift-mass"]), sent)
    assert page.context["source"].words == "cast X" and page.context["sheet"].good


def test_a_cast_gives_its_mass_to_lift_and_slings(browser, revision, lead):
    cast = make.cast(revision, lead, mass="288.5")
    found = dict(doors(browser.get(cast.get_absolute_url())).values())
    assert found == {"lift-mass": {"mass": 288.5}, "sling-force": {"mass": 288.5}}


def test_a_cast_that_nobody_weighed_gives_the_volume_of_its_nominal(revision, lead):
    cast = make.cast(revision, lead)
    assert of_casting.of_cast(cast) == []
    make.geometry(revision, lead, facts={"volume": 118_500_000.0, "size": [1600.0, 420.0, 180.0]})
    assert of_casting.of_cast(cast) == [{"name": "lift-mass", "given": {"volume": 0.1185}}]


def test_a_batch_gives_its_ripe_tests_with_what_its_cast_asks(browser, revision, lead):
    batch = make.batch(lead, kit=revision.component.kit, water_binder="0.45", air_temperature="17.5")
    make.cast(revision, lead, batch=batch)
    for k, (strength, age) in enumerate([(30, 7), (44, 28), (43, 28), (46.5, 56)]):
        make.strength(batch, lead, strength, f"X-{k}", age_days=age)
    found = dict(doors(browser.get(batch.get_absolute_url())).values())
    assert found["strength-acceptance"] == {"tests": [44.0, 43.0, 46.5], "specified": 40.0}
    assert found["evaporation-rate"] == {"air_temperature": 17.5}
    assert [row["parts"] for row in found["batch-proportions"]["materials"]] == [1, 0.45]


def test_an_untested_batch_has_no_strength_to_judge(revision, lead):
    batch = make.batch(lead, kit=revision.component.kit)
    assert [row["name"] for row in of_casting.of_batch(batch, [], [])] == ["batch-proportions"]


def test_a_mould_whose_casts_were_compared_gives_the_pattern_of_each_direction(revision, lead):
    mould = make.mould(revision)
    nominal = make.geometry(revision, lead, facts={"size": [1600.0, 420.0, 180.0]})
    figures = {
        "shrinkage": [{"axis": "x", "value": 0.0008}, {"axis": "y", "value": None}, {"axis": "z", "value": 0.001}]
    }
    compared = CastsCompared(revision=revision, mould=mould, nominal=nominal, figures=figures)
    rows = of_inspection.of_mould(mould, compared)
    assert [row["given"] for row in rows] == [
        {"shrinkage": 0.0008, "wanted": 1600.0},
        {"shrinkage": 0.001, "wanted": 180.0},
    ]
    assert of_inspection.of_mould(mould, None) == []


def test_trials_that_ended_give_a_learning_curve_in_their_order(browser, revision, lead):
    mockup = make.mockup(kit=revision.component.kit)
    for k, hours in enumerate([5.0, 4.0, 3.2]):
        begun = make.NOON + timedelta(days=k)
        make.trial(mockup, lead, f"T-{k}", started_at=begun, ended_at=begun + timedelta(hours=hours))
    make.trial(mockup, lead, "T-9", started_at=make.NOON + timedelta(days=9))
    found = dict(doors(browser.get(mockup.get_absolute_url())).values())
    rows = [{"unit": 1, "hours": 5.0}, {"unit": 2, "hours": 4.0}, {"unit": 3, "hours": 3.2}]
    assert found == {"learning-fit": {"trials": rows}}


def test_one_trial_is_no_curve_and_a_model_gives_its_scale(revision, lead):
    mockup = make.mockup(kit=revision.component.kit, scale=5)
    make.trial(mockup, lead, ended_at=make.NOON + timedelta(hours=2))
    assert of_lessons.of_mockup(mockup) == [{"name": "scale-figure", "given": {"scale": 5.0}}]


def test_a_gap_on_a_model_is_given_with_its_full_size_limits(browser, revision, lead):
    mockup = make.mockup(kit=revision.component.kit, scale=5)
    trial = make.trial(mockup, lead, ended_at=make.NOON + timedelta(hours=2))
    joint = make.interface(revision.component)
    FitCheck.objects.create(
        trial=trial, interface=joint, gap="0.9", lower="0.4", upper="2.0", uncertainty="0.05", result="conforms",
        measured_at=make.NOON, measured_by=lead, where="left end",
    )  # fmt: skip
    found = dict(doors(browser.get(trial.get_absolute_url())).values())
    assert found == {"model-gap": {"gap": 0.9, "scale": 5.0, "lower": 2.0, "upper": 10.0}}


def test_every_link_opens_a_page_whose_figures_can_be_read(browser, revision, lead):
    batch = make.batch(lead, kit=revision.component.kit, water_binder="0.45", air_temperature="17.5")
    cast = make.cast(revision, lead, batch=batch, mass="288.5")
    make.strength(batch, lead)
    for address in [*doors(browser.get(cast.get_absolute_url())), *doors(browser.get(batch.get_absolute_url()))]:
        page = browser.get(address)
        assert not page.context["is_example"] and not page.context["sheet"].errors()


def test_the_shell_takes_what_a_link_carries(revision, lead):
    cast = make.cast(revision, lead, mass="288.5")
    row = of_casting.of_cast(cast)[0]
    assert run(find(row["name"]), row["given"])[1].mass == 288.5
