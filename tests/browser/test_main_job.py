"""The whole main job in a real browser, by the people who do it, in the order in which they do it.

Each step stands on the ones before: when one fails, the later ones are skipped.
"""

import re
from pathlib import Path

from playwright.sync_api import Page, expect

from tests.browser.acting import day, fill, fill_in, follow, moment, press
from tests.browser.conftest import DESK, PHONE, TABLET, sign_in

BAD_TABLE = """number;name;kind;nominal;tolerance;unit;class;method
2;seat width;length;299,3;±2;mm;major;by hand
3;length;length;600;wide;mm;minor;by hand
"""
GOOD_TABLE = BAD_TABLE.replace("600;wide", "600;±2,5")
LONG_AGO = {"days": 29}


def test_the_lead_makes_a_kit_with_two_components_that_meet(visit):
    page = visit(DESK, "ines")
    page.goto("/kits/")
    follow(page, "New kit")
    fill(page, Code="WLK", Name="Test walkway", About="Invented.", Time_zone="UTC")
    press(page, "Save the kit")
    for number, name in (("SB-02", "Saddle block"), ("PC-01", "Pier cap")):
        page.goto("/WLK/parts/")
        follow(page, "New component")
        fill_in(page, {"Part number": number, "Name": name, "Material": "C40/50", "Quantity in the kit": "4"})
        press(page, "Save the component")
    page.goto("/WLK/parts/")
    follow(page, "New interface")
    fill_in(page, {"Name": "Seat to cap", "Component": "SB-02 Saddle block", "Meets component": "PC-01 Pier cap"})
    fill_in(page, {"Least gap": "4", "Greatest gap": "12"})
    press(page, "Save the interface")
    expect(page.get_by_role("main")).to_contain_text("Seat to cap")


def test_the_lead_defines_revision_a_and_starts_its_trial(visit, uploads):
    page = visit(DESK, "ines")
    page.goto("/WLK/parts/SB-02/")
    follow(page, "New revision")
    fill_in(
        page, {"Letter": "A", "What changed": "First issue.", "Why": "To begin with.", "Cautions": "117 kg: lift it."}
    )
    fill_in(page, {"Required strength": "40", "At an age of": "28"})
    press(page, "Save the revision")
    page.goto("/WLK/parts/SB-02/A/definition/")
    follow(page, "Put the mesh on file")
    fill_in(page, {"Mesh file": uploads.nominal, "Unit of the file": "millimetres (mm)"})
    press(page, "Put on file")
    follow(page, "Put the drawing on file")
    fill(page, Drawing=uploads.drawing)
    press(page, "Put on file")
    follow(page, "Add a characteristic")
    fill_in(page, {"Number on the drawing": "1", "Name": "profile of the surface", "Kind": "profile of a surface"})
    fill_in(page, {"Nominal": "0", "Tolerance": "1", "Unit": "mm", "Method": "scan"})
    press(page, "Save the characteristic")
    page.goto("/WLK/parts/SB-02/A/definition/")
    follow(page, "Paste or import a table")
    fill(page, Table=BAD_TABLE)
    press(page, "Show what would come in")
    expect(page.get_by_role("row", name="wide").get_by_role("img", name="Fault")).to_be_visible()
    fill(page, Table=GOOD_TABLE)
    press(page, "Show what would come in")
    press(page, "Take in 2 characteristics")
    expect(page.get_by_role("main")).to_contain_text("seat width")
    press(page, "Start the trial of A")
    page.goto("/WLK/parts/SB-02/A/")
    expect(page.get_by_role("banner")).to_contain_text(re.compile("on trial", re.I))


def test_the_lead_sets_the_gate_plan_and_adds_instruments(visit):
    page = visit(DESK, "ines")
    page.goto("/WLK/parts/SB-02/")
    follow(page, "Gate plan")
    plan = page.get_by_role("main")
    for needed in plan.get_by_label("Casts needed").all():
        needed.fill("1")
    plan.get_by_label("Model fit").uncheck()
    reason = plan.get_by_role("row", name="Model fit").get_by_label(re.compile("Why it does not apply"))
    reason.fill("One joint only; the mock-up shows it.")
    press(page, "Save the plan")
    for name, kind, least in (("Structured light", "scanner", "0.08"), ("Long calliper", "calliper", "0.05")):
        page.goto("/WLK/add-instrument/")
        fill_in(page, {"Name": name, "Kind": kind, "Measures in": "mm", "U, expanded uncertainty": least})
        fill_in(page, {"Calibrated on": day(days=30), "Calibration due": day(days=-300)})
        press(page, "Add the instrument")


def test_the_technician_logs_mould_batch_and_cast_on_a_tablet(visit):
    page = visit(TABLET, "mara")
    page.goto("/WLK/bench/")
    page.goto("/WLK/log-mould/")
    fill_in(page, {"Made to": "SB-02 A Saddle block, on trial", "Made on": day(days=40)})
    press(page, "Log the mould")
    page.goto("/WLK/log-batch/")
    fill_in(page, {"Mix design": "Marine C40", "Mixed at": moment(**LONG_AGO, minutes=30)})
    press(page, "Log the batch")
    page.goto("/WLK/bench/")
    follow(page, "Log a cast")
    batch = page.get_by_label(re.compile("^Batch")).get_by_role("option", name="Marine C40")
    fill_in(page, {"Batch": batch.inner_text(), "Poured at": moment(**LONG_AGO), "Mass": "117,4"})
    press(page, "Log the cast")
    main = page.get_by_role("main")
    expect(page.get_by_role("banner")).to_contain_text("In the mould")
    main.get_by_role("link", name="Demould").click()
    fill_in(page, {"Out of the mould at": moment(days=27), "Cures at": "Bay 2"})
    press(page, "Log the demoulding")
    expect(page.get_by_role("banner")).to_contain_text("Curing")
    page.get_by_role("banner").get_by_role("link", name="Batches").click()
    page.get_by_role("main").get_by_role("link", name="B-").first.click()
    follow(page, "Log a strength test")
    fill_in(page, {"Label": "Cylinder 1", "Strength": "52,3", "Tested on": day(days=1)})
    press(page, "Log the test")
    expect(page.get_by_role("main")).to_contain_text("52.3")
