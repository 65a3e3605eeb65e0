"""The three-dimensional view in a real browser with the real server: a part of 108,140 triangles and its scan."""

import io
import re
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Locator, Page, expect

from proofmark import chromium
from tests.browser.conftest import ARGUMENTS, DESK, PASSWORD, PEOPLE, PHONE, TABLET, listen, running, sign_in

FILLED = (Path(__file__).parent / "part_with_scan.py").read_text()
SCAN, SHEET = "/WLK/scans/S-01/", "/WLK/parts/SB-02/A/definition/"
LONGEST = 3.0  # s, from asking for the page to the first picture
# A sample that can be seen, and where on the stage: {x, y, row, value, at}.
SEEN = """(want) => {
  const { view, reading } = document.querySelector("[data-view3d]").view3d, { data } = view;
  const inside = (value) => Math.abs(value) > 0.05 && Math.abs(value) < 0.3;
  const test = { high: (value) => value > 1, blank: Number.isNaN, inside }[want];
  for (let row = 0; row < data.sampleDeviation.length; row += 1) {
    const one = reading.sample(row);
    if (!test(one.value) || !view.sees(one.at, one.normal)) continue;
    const [x, y] = view.camera.place(one.at), met = view.pick(x, y);
    if (met && reading.rowAt(met.at, met.normal) === row) return { x, y, row, value: String(one.value), at: one.file };
  }
  return null;
}"""
STATE = "() => document.querySelector('[data-view3d]').view3d.view.camera.state"
DRAWN = "() => Number(document.querySelector('[data-stage]').dataset.drawn)"


@pytest.fixture(scope="module")
def house():
    with running(PEOPLE % PASSWORD, FILLED) as address:
        yield address


def ready(page: Page) -> Locator:
    page.locator("[data-view3d][data-state=ready]").wait_for(state="attached", timeout=15_000)
    return page.locator("[data-stage]")


@pytest.fixture
def opened(visit):
    """opened(size) is the page of the scan with the view on it, and its stage."""

    def act(size=DESK, **options):
        page = visit(size, "mara", reduced_motion="reduce", **options)
        page.goto(SCAN)
        stage = ready(page)
        stage.scroll_into_view_if_needed()
        return page, stage

    return act


@pytest.fixture
def stored(opened):
    """Page, stage and the stored deviations of the samples."""
    page, stage = opened()
    address = page.get_by_role("link", name="S-01-deviations.npz").get_attribute("href")
    return page, stage, np.load(io.BytesIO(page.request.get(address).body()))


def swipe(
    page: Page, start: tuple[float, float], end: tuple[float, float], also: list[tuple[float, float]] = ()
) -> None:
    """One finger from one place to another; also: start and end of a second one."""
    devtools = page.context.new_cdp_session(page)
    ways = [(start, end)] + ([tuple(also)] if also else [])
    for step in range(9):
        at = [{"x": a[0] + (b[0] - a[0]) * step / 8, "y": a[1] + (b[1] - a[1]) * step / 8} for a, b in ways]
        fingers = [{**one, "id": number} for number, one in enumerate(at)]
        devtools.send(
            "Input.dispatchTouchEvent", {"type": "touchMove" if step else "touchStart", "touchPoints": fingers}
        )
        page.wait_for_timeout(16)
    devtools.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})


def point_at(page: Page, stage: Locator, want: str) -> dict:
    there = page.evaluate(SEEN, want)
    box = stage.bounding_box()
    page.mouse.move(box["x"] + there["x"], box["y"] + there["y"])
    return there


def test_the_first_picture_is_there_within_three_seconds(visit):
    taken = []
    for _ in range(3):  # other work on the machine must not decide
        page = visit(DESK, "mara")
        page.goto(SCAN)
        root = page.locator("[data-view3d][data-painted]")
        root.wait_for(state="attached", timeout=20_000)
        taken.append(int(root.get_attribute("data-painted")) / 1000)
        if taken[-1] < LONGEST:
            break
    assert min(taken) < LONGEST, f"{taken} s"
    assert page.evaluate("() => document.querySelector('[data-view3d]').view3d.view.data.faces.length") > 3 * 100_000


@pytest.mark.parametrize(
    ("want", "words"), [("high", "outside by"), ("inside", "inside by"), ("blank", "not measured")]
)
def test_pointing_reads_out_the_value_of_the_sample(stored, want, words):
    page, stage, samples = stored
    there = point_at(page, stage, want)
    read = page.locator("[data-read]")
    expect(read).to_contain_text(words)
    row = int(read.get_attribute("data-row"))
    value = samples["deviation"][row]
    assert row == there["row"]
    assert np.allclose(samples["points"][row], there["at"], atol=1e-3)
    if want == "blank":
        assert np.isnan(value)
    else:
        assert np.float32(read.get_attribute("data-value")) == value
        two, one = (re.compile(rf"(?<!\d){abs(value):.{d}f}\u00a0mm (too|outside|inside)") for d in (2, 1))
        assert two.search(read.inner_text()) or one.search(read.inner_text())


def test_the_words_for_a_place_are_those_of_the_report(stored):
    from metrology.comparison.words import direction, length

    page, _, samples = stored
    rows = list(range(0, len(samples["deviation"]), 97))
    said = page.evaluate(
        """async (rows) => {
          const { view, reading } = document.querySelector("[data-view3d]").view3d;
          const script = [...document.scripts].find((one) => one.src.includes("/view3d/start"));
          const found = [...performance.getEntriesByType("resource")].find((one) => one.name.includes("/view3d/words"));
          const words = await import(found.name);
          return rows.map((row) => words.found(reading.sample(row).value, reading.sample(row).normal));
        }""",
        rows,
    )
    for row, text in zip(rows, said, strict=True):
        value = float(samples["deviation"][row])
        if np.isnan(value):
            assert text == "not measured"
        elif round(abs(value), 2) == 0:
            assert text == "on nominal"
        else:
            assert (
                text == f"{length(abs(value))} {direction(value, samples['normals'][row].astype(float) * (1 + 1e-6))}"
            )


def test_the_seven_views_look_the_way_they_say(opened):
    page, stage = opened()
    for name, direction in (
        ("From above", [0, 0, 1]), ("From below", [0, 0, -1]), ("From the front", [1, 0, 0]),
        ("From the back", [-1, 0, 0]), ("From the left", [0, 1, 0]), ("From the right", [0, -1, 0]),
    ):  # fmt: skip
        page.get_by_role("button", name=name).click()
        expect(page.get_by_role("button", name=name)).to_have_attribute("aria-pressed", "true")
        toward = page.evaluate("() => document.querySelector('[data-view3d]').view3d.view.camera.axes().toward")
        assert np.allclose(toward, direction, atol=1e-9)
    page.get_by_role("button", name="Pictorial").click()
    expect(page.get_by_role("button", name="Pictorial")).to_have_attribute("aria-pressed", "true")


def test_limits_can_be_tried_and_the_verdict_stays(stored):
    page, _, samples = stored
    slider, outcome = page.get_by_label("What if the limits were"), page.locator("[data-outcome]")
    values = samples["deviation"].astype(float)
    values = values[np.isfinite(values)]

    def share() -> float:
        return float(outcome.get_attribute("data-share"))

    assert share() == pytest.approx((np.abs(values) <= 1).mean())
    expect(page.locator("[data-tried]")).to_have_text("±1.0\u00a0mm, as on file")
    verdict = page.locator(".verdict").inner_text()
    slider.fill("0.5")
    assert share() == pytest.approx((np.abs(values) <= 0.5).mean())
    expect(page.locator("[data-tried]")).to_have_text("±0.5\u00a0mm")
    expect(outcome).to_contain_text("would lie inside")
    slider.press("ArrowRight")
    assert share() >= (np.abs(values) <= 0.5).mean()
    assert page.locator(".verdict").inner_text() == verdict
    expect(page.get_by_text("the verdict stays with the limits on file")).to_be_visible()
    page.get_by_role("button", name="Back to those on file").click()
    assert share() == pytest.approx((np.abs(values) <= 1).mean())


def test_what_was_not_measured_can_be_left_out(opened):
    page, stage = opened()
    before = stage.locator("canvas").screenshot()
    page.get_by_label("Show what was not measured").uncheck()
    expect(page.locator("[data-status]")).to_have_text("What was not measured is left out")
    assert stage.locator("canvas").screenshot() != before


def test_the_keyboard_turns_zooms_chooses_views_and_reads(opened):
    page, stage = opened()
    stage.focus()
    start = page.evaluate(STATE)
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowDown")
    turned = page.evaluate(STATE)
    assert (turned["round"], turned["above"]) == (start["round"] + 15, start["above"] + 15)
    page.keyboard.press("+")
    assert page.evaluate(STATE)["scale"] == pytest.approx(start["scale"] * 1.25)
    page.keyboard.press("2")
    expect(page.get_by_role("button", name="From above")).to_have_attribute("aria-pressed", "true")
    expect(page.locator("[data-status]")).to_have_text("From above")
    page.keyboard.press("Enter")
    expect(page.locator("[data-status]")).to_contain_text("mm")
    page.keyboard.press("n")
    expect(page.locator("[data-status]")).to_contain_text("outside by")
    page.keyboard.press("0")
    expect(page.get_by_role("button", name="Pictorial")).to_have_attribute("aria-pressed", "true")
    page.keyboard.press("Tab")
    expect(page.get_by_role("button", name="Nearer")).to_be_focused()


def test_a_numbered_place_is_turned_to_and_read_out(opened):
    page, _ = opened()
    page.get_by_role("button", name="Look at place 1").click()
    sentence = page.locator("[data-place='1'] span").inner_text()
    expect(page.locator("[data-read] b")).to_have_text(re.sub(r" at .*", "", sentence))


def test_fingers_turn_move_and_zoom_and_a_tap_reads(opened):
    page, stage = opened(PHONE, is_mobile=True)
    there, box = page.evaluate(SEEN, "high"), stage.bounding_box()
    page.touchscreen.tap(box["x"] + there["x"], box["y"] + there["y"])
    expect(page.locator("[data-read]")).to_contain_text("outside by")
    middle_x, middle_y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    start = page.evaluate(STATE)
    swipe(page, (middle_x, middle_y), (middle_x + 100, middle_y))
    turned = page.evaluate(STATE)
    assert turned["round"] > start["round"] + 30 and turned["scale"] == start["scale"]
    thumb, finger = [(middle_x - by, middle_y) for by in (30, 90)], [(middle_x + by, middle_y) for by in (30, 90)]
    swipe(page, *thumb, also=finger)
    wider = page.evaluate(STATE)
    assert wider["scale"] == pytest.approx(3 * start["scale"], rel=0.35) and wider["round"] == turned["round"]
    expect(page.locator("[data-read]")).to_contain_text("outside by")


def test_a_section_goes_through_the_place_that_was_tapped(opened):
    page, stage = opened(PHONE)
    there, box = page.evaluate(SEEN, "high"), stage.bounding_box()
    page.touchscreen.tap(box["x"] + there["x"], box["y"] + there["y"])
    page.get_by_role("button", name="Section through here, across y").click()
    cut = page.locator(".section-cut")
    expect(cut).to_be_in_viewport()
    told = float(page.locator("#id_py").input_value())
    assert abs(told - there["at"][1]) < 20
    assert "cut=y&px=" in page.url and page.url.endswith("#section")
    expect(page.locator("[data-said]")).to_be_focused()
    assert cut.locator("img").evaluate("(image) => image.decode().then(() => image.naturalWidth)") == 900


def test_the_page_scrolls_beside_the_stage_and_with_the_wheel_over_it(opened):
    page, stage = opened(PHONE, is_mobile=True)
    page.evaluate("scrollTo(0, 300)")
    box, before = stage.bounding_box(), page.evaluate("scrollY")
    swipe(page, (box["x"] - 12, box["y"] + 250), (box["x"] - 12, box["y"] + 100))
    page.wait_for_timeout(300)
    assert page.evaluate("scrollY") > before + 50
    page, stage = opened()
    box, before = stage.bounding_box(), page.evaluate("scrollY")
    size = page.evaluate(STATE)["scale"]
    page.mouse.move(box["x"] + 300, box["y"] + 200)
    page.mouse.wheel(0, 120)
    page.wait_for_timeout(300)
    assert page.evaluate("scrollY") > before and page.evaluate(STATE)["scale"] == size
    stage.click(position={"x": 40, "y": 300})
    page.mouse.wheel(0, -200)
    page.wait_for_timeout(200)
    assert page.evaluate(STATE)["scale"] > size


def test_nothing_is_drawn_while_nothing_changes(opened):
    page, stage = opened()
    page.wait_for_timeout(300)
    before = page.evaluate(DRAWN)
    page.wait_for_timeout(700)
    assert page.evaluate(DRAWN) == before
    stage.press("ArrowLeft")
    page.wait_for_timeout(300)
    assert before < page.evaluate(DRAWN) <= before + 3


def test_less_motion_goes_to_a_view_in_one_step_and_otherwise_in_several(visit, opened):
    page, _ = opened()
    before = page.evaluate(DRAWN)
    page.get_by_role("button", name="From the left").click()
    page.wait_for_timeout(500)
    assert page.evaluate(DRAWN) == before + 1
    page = visit(DESK, "mara", reduced_motion="no-preference")
    page.goto(SCAN)
    ready(page)
    before = page.evaluate(DRAWN)
    page.get_by_role("button", name="From the left").click()
    page.wait_for_timeout(800)
    assert page.evaluate(DRAWN) >= before + 2


def test_targets_are_large_enough_for_a_finger(opened):
    page, _ = opened(TABLET)
    for button in page.locator("[data-live] button:visible, [data-place] button").all():
        box = button.bounding_box()
        assert box["width"] >= 44 and box["height"] >= 44, button.inner_text()


def test_the_drawing_can_be_had_back(opened):
    page, stage = opened()
    page.get_by_text("Mouse, touch and keys").click()
    page.get_by_role("button", name="Show the drawing instead").click()
    expect(page.locator("img.mapped")).to_be_visible()
    expect(stage).to_be_hidden()
    page.get_by_role("button", name="Turn it in three dimensions").click()
    expect(stage).to_be_visible()
    expect(page.locator("img.mapped")).to_be_hidden()


def test_the_nominal_is_turned_on_its_definition_page(visit):
    page = visit(DESK, "ines")
    page.goto(SHEET)
    page.get_by_role("button", name="Turn it in three dimensions").click()
    stage = ready(page)
    expect(stage).to_be_visible()
    assert page.locator("[data-read]").count() == 0


def test_a_view_that_cannot_be_fetched_leaves_the_drawing_and_says_so(visit):
    page = visit(DESK, "mara")
    page.route("**/S-01.view", lambda route: route.fulfill(status=200, body=b"not a view"))
    page.goto(SCAN)
    expect(page.get_by_text("could not be fetched. The drawing stays")).to_be_visible()
    expect(page.locator("img.mapped")).to_be_visible()


def test_without_script_the_drawing_stays(visit):
    page = visit(DESK, "mara")
    plain = page.context.browser.new_context(
        base_url=page.url.split("/WLK")[0].rstrip("/"),
        storage_state=page.context.storage_state(),
        java_script_enabled=False,
    )
    try:
        still = plain.new_page()
        still.goto(SCAN)
        expect(still.locator("img.mapped")).to_be_visible()
        expect(still.locator("[data-stage]")).to_be_hidden()
    finally:
        plain.close()


@pytest.fixture
def without_webgl(house, browser):
    started = browser.browser_type.launch(executable_path=chromium.find(), args=[*ARGUMENTS, "--disable-3d-apis"])
    yield started
    started.close()


def test_without_webgl_the_drawing_stays_and_says_why(without_webgl, house, complaints):
    page = without_webgl.new_context(base_url=house, viewport=DESK).new_page()
    listen(page, complaints)
    sign_in(page, "mara")
    page.goto(SCAN)
    expect(page.get_by_text("cannot draw in three dimensions here")).to_be_visible()
    expect(page.locator("img.mapped")).to_be_visible()
    expect(page.locator("[data-stage]")).to_be_hidden()
    page.get_by_role("link", name="From above").click()
    expect(page.locator("img.mapped")).to_be_visible()
