"""The whole main job in a real browser, by the people who do it, in the order in which they do it.

Each step stands on the ones before: when one fails, the later ones are skipped.
"""

import itertools
import re
import time

import pytest
from playwright.sync_api import Page, Request, expect

from tests.browser.acting import day, fill, fill_in, follow, in_banner, moment, press
from tests.browser.conftest import DESK, PHONE, TABLET, send_sign_in

STEPS = True
BAD_TABLE = """number;name;kind;nominal;tolerance;unit;class;method
2;seat width;length;299,3;±2;mm;major;by hand
3;length;length;600;wide;mm;minor;by hand
"""
GOOD_TABLE = BAD_TABLE.replace("600;wide", "600;±2,5")
LONG_AGO = {"days": 29}
GATE = {
    "Geometry": "pass",
    "Casts": "pass",
    "Instruments": "pass",
    "Characteristics": "pass",
    "Scan": "pass",
    "Strength": "pass",
    "Model fit": "not applicable",
    "Mock-up fit": "pass",
    "Closure": "not applicable",
    "Questions": "pass|not applicable",
    "Lessons": "pass|not applicable",
    "Cautions": "pass",
}
PAGES = (
    "/kits/",
    "/people/",
    "/me/",
    "/WLK/",
    "/WLK/bench/",
    "/WLK/parts/",
    "/WLK/parts/SB-02/",
    "/WLK/parts/SB-02/A/",
    "/WLK/parts/SB-02/A/definition/",
    "/WLK/parts/SB-02/A/definition/features/new/",
    "/WLK/parts/SB-02/A/definition/feeds/new/",
    "/WLK/parts/SB-02/A/characteristics/",
    "/WLK/parts/SB-02/A/characteristics/2/",
    "/WLK/parts/SB-02/A/casts/",
    "/WLK/parts/SB-02/A/scans/",
    "/WLK/parts/SB-02/A/trials/",
    "/WLK/parts/SB-02/A/lessons/",
    "/WLK/parts/SB-02/A/logbook/",
    "/WLK/parts/SB-02/gate-plan/",
    "/WLK/casts/",
    "/WLK/casts/WLK-SB-0001/",
    "/WLK/casts/WLK-SB-0001/scan/",
    "/WLK/casts/WLK-SB-0001/measure/",
    "/WLK/log-cast/",
    "/WLK/moulds/",
    "/WLK/batches/",
    "/WLK/nonconformities/",
    "/WLK/scans/",
    "/WLK/scans/S-01/",
    "/WLK/scans/S-01/?cut=x&px=-219.31",
    "/WLK/measurements/",
    "/WLK/measurements/import/",
    "/WLK/gauge-studies/",
    "/WLK/gauge-studies/plan/",
    "/WLK/loops/",
    "/WLK/add-loop/?how=row",
    "/WLK/add-loop/?how=formula",
    "/WLK/add-loop/?how=ring",
    "/WLK/instruments/",
    "/WLK/lessons/",
    "/WLK/write-lesson/",
    "/WLK/mockups/",
    "/WLK/trials/",
    "/WLK/questions/",
    "/WLK/sites/",
    "/WLK/sites/NB/",
    "/WLK/tags/",
    "/WLK/holds/",
    "/WLK/logbook/",
    "/WLK/numbers/",
    "/WLK/numbers/control-chart/?units=metric",
    "/WLK/numbers/linear-loop/?units=us",
    "/WLK/numbers/traverse-closure/?units=us",
)


@pytest.fixture(scope="module")
def noted() -> dict[str, str]:
    """What a person carries from one step to the next: the address on the tag."""
    return {}


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
    fill_in(page, {"Name": "Seat to cap", "Component": "SB-02", "Meets component": "PC-01"})
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
    fill_in(page, {"File": uploads.nominal, "Unit of the file": "millimetres (mm)"})
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
    follow(page, "Log a cast")
    in_banner(page, "Moulds")
    follow(page, "Log a mould")
    fill_in(page, {"Made to": "SB-02 A", "Made on": day(days=40)})
    press(page, "Log the mould")
    in_banner(page, "Batches")
    follow(page, "Log a batch")
    fill_in(page, {"Mix design": "Marine C40", "Mixed at": moment(**LONG_AGO, minutes=30)})
    press(page, "Log the batch")
    page.goto("/WLK/bench/")
    follow(page, "Log a cast")
    fill_in(page, {"Batch": "Marine C40", "Poured at": moment(**LONG_AGO), "Mass": "117,4"})
    press(page, "Log the cast")
    main = page.get_by_role("main")
    expect(page.get_by_role("banner")).to_contain_text("In the mould")
    main.get_by_role("link", name="Demould", exact=True).click()
    fill_in(page, {"Out of the mould at": moment(days=27), "Cures at": "Bay 2"})
    press(page, "Log the demoulding")
    expect(page.get_by_role("banner")).to_contain_text("Curing")
    in_banner(page, "Batches")
    page.get_by_role("main").get_by_role("row", name="Marine C40").get_by_role("link").first.click()
    for label, strength in (("Cylinder 1", "52,3"), ("Cylinder 2", "50.8"), ("Cylinder 3", "51.6")):
        follow(page, "Log a strength test")
        fill_in(page, {"Label": label, "Strength": strength, "Tested on": day(days=1)})
        press(page, "Log the test")
    expect(page.get_by_role("main")).to_contain_text("52.3")


def open_the_cast(page: Page) -> None:
    page.goto("/WLK/casts/")
    page.get_by_role("main").get_by_role("link", name=re.compile("^WLK-SB")).first.click()


def test_the_technician_uploads_a_scan_and_waits_for_its_verdict(visit, uploads):
    page = visit(TABLET, "mara")
    open_the_cast(page)
    follow(page, "Upload a scan")
    fill_in(page, {"Scan file": uploads.scan, "Unit of the file": "mm", "Scanned with": "Structured light"})
    page.get_by_role("main").get_by_role("button", name="Upload and measure").click()
    expect(page.get_by_role("progressbar", name="Measuring")).to_be_visible()
    main = page.get_by_role("main")
    expect(main.get_by_role("img", name="conforms", exact=True).first).to_be_visible(timeout=60_000)
    expect(main.get_by_role("heading", name="Deviation map")).to_be_visible()
    expect(main).to_contain_text("SHA-256")


def test_the_technician_measures_what_is_measured_by_hand(visit):
    page = visit(TABLET, "mara")
    open_the_cast(page)
    follow(page, "Measure")
    fill_in(page, {"seat width": "299,1", "Instrument for seat width": "Long calliper"})
    row = page.get_by_role("main").get_by_role("listitem").filter(has_text="seat width")
    expect(row).to_contain_text("Conforms")
    fill_in(page, {"length": "599,8", "Instrument for length": "Long calliper"})
    press(page, "Save the readings")
    expect(page.get_by_role("main")).to_contain_text("599.8")


def test_the_technician_tries_it_on_the_mock_up_and_writes_a_lesson(visit, uploads):
    page = visit(TABLET, "mara")
    page.goto("/WLK/lessons/")
    in_banner(page, "Mock-ups")
    follow(page, "Add a mock-up")
    fill_in(page, {"Name": "One bay", "SB-02": True, "PC-01": True})
    press(page, "Add the mock-up")
    follow(page, "Begin a trial")
    fill_in(page, {"WLK-SB-0001": True, "Crew": "Mara and one more"})
    press(page, "Begin")
    fill_in(page, {"What was done": "Set the block on its cap", "What went wrong": "The sling caught the chamfer"})
    press(page, "Step 1 done")
    page.get_by_role("main").get_by_text("Measure it all the same").click()
    fill_in(page, {"Gap": "7,5", "Where": "seaward", "Measured with": "Long calliper"})
    page.get_by_role("main").get_by_role("button", name="Log the gap at").click()
    expect(page.get_by_role("main").get_by_text("Conforms", exact=True)).to_be_visible()
    follow(page, "Add photos")
    fill_in(page, {"Photos": uploads.photo, "What they show": "The joint after setting down"})
    press(page, "Add the photos")
    expect(page.get_by_role("main")).to_contain_text("The joint after setting down")
    follow(page, "End the trial")
    press(page, "End the trial")
    follow(page, "Write a lesson from it")
    fill_in(page, {"In a few words": "The sling wears the chamfer", "Part": "SB-02", "Photos": uploads.photo})
    fill_in(page, {"What happened": "The sling caught the front edge.", "Action": "Edge guards under each sling."})
    press(page, "Write the lesson")
    photo = page.get_by_role("main").get_by_role("img", name=re.compile("photo", re.I)).first
    expect(photo).to_be_visible()


def test_the_lead_reads_the_gate_and_puts_the_revision_forward(visit):
    page = visit(DESK, "ines")
    page.goto("/WLK/")
    page.get_by_role("main").get_by_role("link", name="SB-02").first.click()
    follow(page, "Gate")
    main = page.get_by_role("main")
    for title, verdict in GATE.items():
        row = main.get_by_role("row").filter(has=page.get_by_text(title, exact=True))
        expect(row).to_contain_text(re.compile(rf"^\s*({verdict})", re.I))
    press(page, "Put A forward")
    expect(page.get_by_role("banner")).to_contain_text("Put forward")
    expect(main.get_by_role("button", name="Sign A")).to_have_count(0)
    expect(main).to_contain_text("You drew it. The author may not sign.")


def test_the_second_lead_signs_and_the_packet_is_made(visit):
    page = visit(DESK, "kit")
    page.goto("/WLK/parts/SB-02/A/")
    press(page, "Sign A")
    expect(page.get_by_role("banner")).to_contain_text("Buildable")
    packet = page.get_by_role("main").get_by_role("link", name="Open the packet (PDF)")
    until = time.monotonic() + 30
    while not packet.is_visible() and time.monotonic() < until:
        page.wait_for_timeout(500)
        page.reload()
    assert pdf_behind(page, packet.get_attribute("href"))[:5] == b"%PDF-"


def pdf_behind(page: Page, asked: Request | str) -> bytes:
    """The file itself: what the browser shows is its own viewer around it."""
    got = page.request.fetch(asked)
    assert got.ok and got.headers["content-type"] == "application/pdf"
    return got.body()


def test_the_lead_prepares_the_site_and_prints_the_tag(visit, noted):
    page = visit(DESK, "ines")
    page.goto("/WLK/sites/")
    follow(page, "Add a site")
    fill_in(page, {"Code": "NB", "Name": "North bank", "Who to call": "Ines Halvorsen", "Phone": "01632 960 114"})
    fill_in(page, {"Rhys Adeyemi": True})
    press(page, "Add site")
    follow(page, "Add a position")
    fill_in(page, {"Code": "P1", "Name": "Pier 1, seaward seat", "Component": "SB-02"})
    press(page, "Add position")
    follow(page, "Add a hold point")
    fill_in(page, {"Component": "SB-02", "What must be signed": "Seat level within 3 mm."})
    press(page, "Add hold point")
    in_banner(page, "Site")
    in_banner(page, "2 Tags")
    main = page.get_by_role("main")
    expect(main.get_by_role("checkbox", name="WLK-SB-0001")).to_be_checked()
    with page.expect_request("**/tags/sheet/") as asked:
        main.get_by_role("button", name="Print the tags (PDF)").click()
    assert pdf_behind(page, asked.value)[:5] == b"%PDF-"
    page.goto("/WLK/tags/")
    noted["tag"] = main.get_by_role("row", name="WLK-SB-0001").get_by_role("link").get_attribute("href")


def test_anybody_reads_cleared_on_a_phone_and_the_site_team_logs_it_installed(visit, noted):
    page = visit(PHONE)
    page.goto(noted["tag"])
    expect(page.get_by_role("heading", level=1)).to_have_text("CLEARED")
    follow(page, "Sign in to log it installed")
    send_sign_in(page, "rhys")
    expect(page.get_by_role("heading", level=1)).to_have_text("CLEARED")
    main = page.get_by_role("main")
    main.get_by_role("button", name="Log as installed").click()
    expect(main).to_contain_text(re.compile("hold point", re.I))
    fill_in(page, {"Position": "Pier 1", "Seat level within 3 mm.": True})
    press(page, "Log as installed")
    expect(main).to_contain_text("Pier 1, seaward seat")


def test_a_hold_turns_the_tag_at_once_until_then_the_site_must_say_that_it_has_seen_it(visit, noted):
    desk, phone, site = visit(DESK, "ines"), visit(PHONE), visit(PHONE, "rhys")
    phone.goto(noted["tag"])
    expect(phone.get_by_role("heading", level=1)).to_have_text("CLEARED")
    desk.goto("/WLK/parts/SB-02/A/")
    follow(desk, "Put on hold")
    fill_in(desk, {"Why it is held": "Crack of 0.4 mm beside the seat."})
    press(desk, "Put SB-02 A on hold")
    phone.reload()
    expect(phone.get_by_role("heading", level=1)).to_have_text(re.compile(r"NOT\s*CLEARED"))
    expect(phone.get_by_role("main")).to_contain_text("Crack of 0.4 mm")
    expect(phone.get_by_role("link", name="Call Ines Halvorsen")).to_be_visible()
    desk.goto("/WLK/")
    notices = desk.get_by_role("listitem").filter(has_text="not seen by")
    expect(notices).to_contain_text("WLK-SB-0001")
    expect(notices).to_contain_text("North bank")
    site.goto("/WLK/sites/NB/")
    site.get_by_role("main").get_by_role("button", name="has seen it").click()
    expect(site.get_by_role("main")).to_contain_text("Every site has seen it")
    desk.reload()
    expect(desk.get_by_role("listitem").filter(has_text="seen by all")).to_contain_text("WLK-SB-0001")


def test_no_page_is_wider_than_its_screen(visit, noted):
    page = visit(DESK, "ines")
    too_wide = []
    for address in (*PAGES, noted["tag"]):
        answer = page.goto(address)
        assert answer.ok, f"{address}: HTTP {answer.status}"
        for size, look in itertools.product((PHONE, TABLET, DESK), ("light", "dark")):
            page.set_viewport_size(size)
            page.emulate_media(color_scheme=look)
            over = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
            if over > 1:
                too_wide.append(f"{address} at {size['width']}, {look}: {over} px too wide")
    assert not too_wide, "\n".join(too_wide)


def test_a_lifted_hold_clears_the_tag_again(visit, noted):
    page = visit(DESK, "kit")
    page.goto("/WLK/holds/")
    page.get_by_role("main").get_by_role("link").first.click()
    follow(page, "Lift the hold")
    fill_in(page, {"Why": "Surface crack only, measured 0.1 mm deep."})
    press(page, "Lift the hold")
    page.goto(noted["tag"])
    expect(page.get_by_role("heading", level=1)).to_have_text("CLEARED")


def test_without_javascript_a_tag_is_read_and_a_cast_logged_which_the_gate_tells(visit, noted):
    page = visit(TABLET, "mara", java_script_enabled=False)
    page.goto(noted["tag"])
    expect(page.get_by_role("heading", level=1)).to_have_text("CLEARED")
    page.goto("/WLK/log-cast/?part=SB-02")
    serial = page.get_by_label("Serial").input_value()
    fill_in(page, {"Batch": "no batch", "Place": "Bay 3"})
    press(page, "Log the cast")
    expect(page.get_by_role("heading", level=1)).to_have_text(serial)
    page = visit(DESK, "kit")
    page.goto("/WLK/parts/SB-02/A/")
    expect(page.get_by_role("main")).to_contain_text("Casts: still pass, on other evidence")
