"""Pages of the loops: the answer in words, a change beside it, building a loop by hand. All records are invented."""

import re
from html import unescape

import pytest

from inspection.models import ClosureLoop, LoopMember
from metrology.closure.closing import closes
from tests import make

pytestmark = pytest.mark.django_db

LIST, ADD = "/TPW/loops/", "/TPW/add-loop/"


@pytest.fixture
def block(lead):
    revision = make.revision(author=lead)
    make.characteristic(revision)  # 600, 599 to 601 mm
    return revision


@pytest.fixture
def loop(lead, block):
    return make.loop(lead, members=[(612, 6), (block.component, 1, -1)], name="Bay")


@pytest.fixture
def browser(lead, signed_in):
    return signed_in(lead)


def text(answer):
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", answer.content.decode()))).replace("\u00a0", " ")


def typed(block, **more):
    said = {
        "how": "row", "rows": "4", "name": "Bay 1", "lower": "8", "upper": "16", "assemblies": "3", "for_gate": "on",
        "m1-name": "Bay", "m1-nominal": "612", "m1-tolerance": "6", "m1-sensitivity": "1", "m1-times": "1",
        "m2-name": "Block", "m2-drawn": f"{block.component_id}-1", "m2-sensitivity": "-1", "m2-times": "1",
    }  # fmt: skip
    return said | more


# ---- reading ---------------------------------------------------------------------------------------------------------


def test_the_list_says_what_fits_what_spoils_and_what_to_change(browser, loop):
    page = text(browser.get(LIST))
    assert "Will the series fit?" in page and "LP-01 Bay: " in page
    assert "of assemblies close, at least" in page and "m1 spoils it most" in page and "Change first: m1: ±3 mm" in page


def test_the_board_leads_there_in_one_tap(browser, loop):
    assert f'href="{LIST}"' in browser.get("/TPW/").content.decode()


def test_an_empty_list_says_what_a_loop_is(browser, block):
    assert "No loop yet" in text(browser.get(LIST))


def test_a_loop_page_has_the_same_figures_as_the_numerics(browser, loop):
    sheet = browser.get("/TPW/loops/LP-01/").context["sheet"]
    assert sheet.found == closes(sheet.part, 3, 0.95) and sheet.tried is None
    assert [line.row.member.name for line in sheet.lines] == ["m1", "m2"]


def test_the_tolerances_that_would_do_stand_beside_each_dimension(browser, loop):
    lines = browser.get("/TPW/loops/LP-01/?wanted=99").context["sheet"].lines
    assert lines[0].alone.startswith("±") and lines[1].alone == "not alone"
    assert float(lines[0].alike[1:4]) < 6


def test_a_change_is_shown_beside_what_is_and_nothing_is_saved(browser, loop):
    answer = browser.get("/TPW/loops/LP-01/?t1=2&s2=0,1")
    sheet = answer.context["sheet"]
    assert sheet.tried.share > sheet.found.share
    assert "With the change" in text(answer) and sheet.gain in text(answer).replace("  ", " ").replace(" %", "\u00a0%")
    assert LoopMember.objects.get(position=1).upper == 618


def test_a_tried_change_can_be_written_down_as_a_lesson(browser, loop):
    page = browser.get("/TPW/loops/LP-01/?t1=2").content.decode()
    address = unescape(re.search(r'href="(/TPW/write-lesson/[^"]+)"', page)[1])
    form = browser.get(address).context["form"]
    assert form["component"].initial.part_number == "SB-02" and "at least" in form["what_happened"].value()
    assert form["action"].value().startswith("m1: tolerance ±2\u00a0mm. With the change")
    assert "write-lesson" not in browser.get("/TPW/loops/LP-01/").content.decode()


def test_the_advised_change_leads_to_its_own_trial(browser, loop):
    advice = browser.get("/TPW/loops/LP-01/").context["sheet"].advice[0]
    sheet = browser.get(f"/TPW/loops/LP-01/?{advice.tried}").context["sheet"]
    assert sheet.tried.share == pytest.approx(sheet.found.share + advice.gain, abs=0.01)


def test_a_figure_is_read_in_the_persons_unit_and_advice_keeps_its_own(browser, loop, lead):
    type(lead).objects.filter(pk=lead.pk).update(length_unit="in")
    inches = browser.get("/TPW/loops/LP-01/?t1=0.1").context["sheet"].changes["m1"]
    metric = browser.get("/TPW/loops/LP-01/?t1=3+mm").context["sheet"].changes["m1"]
    assert (inches.tolerance, metric.tolerance) == (pytest.approx(2.54), 3.0)


def test_what_cannot_be_read_is_said_beside_the_field_and_the_answer_stays(browser, loop):
    answer = browser.get("/TPW/loops/LP-01/?t1=wide")
    assert "not a number" in text(answer) and "of assemblies close" in text(answer)
    assert 'value="wide"' in answer.content.decode()


def test_a_loop_that_cannot_be_judged_says_why(browser, loop, block):
    type(block).objects.filter(pk=block.pk).update(state="withdrawn")
    assert "Nobody can say whether it closes: SB-02 has no revision that counts." in text(browser.get(LIST))
    assert browser.get("/TPW/loops/LP-01/").status_code == 200


def test_the_wanted_chance_turns_the_mark(browser, loop):
    assert browser.get("/TPW/loops/LP-01/?wanted=99.9").context["sheet"].word == "fail"
    assert browser.get("/TPW/loops/LP-01/?wanted=50").context["sheet"].word == "pass"


def test_matched_casts_can_be_tried_when_there_are_enough(browser, lead, block):
    instrument, characteristic = make.instrument(), block.characteristics.get()
    for n, value in enumerate((599.2, 600.8, 599.3, 600.7, 599.5, 600.5), 1):
        make.measurement(make.cast(block, lead, f"TP-{n}"), characteristic, value, lead, instrument)
    make.loop(lead, members=[(block.component, 1, 1, 2)], lower=1199, upper=1201)
    assert "matched" in browser.get("/TPW/loops/LP-01/").context["form"].fields
    sheet = browser.get("/TPW/loops/LP-01/?matched=on").context["sheet"]
    assert sheet.tried.share > sheet.found.share


def test_a_ring_can_be_tried_on_its_set_out_places(browser, lead, block):
    ring = make.loop(
        lead, how="ring", pieces=12, chord=900, joint=3, depth=200, built="free", lower=1, upper=5, name="Ring"
    )
    for place, (role, half) in enumerate((("length", 1.5), ("angle", 0.05), ("along", 0.5)), 1):
        LoopMember.objects.create(loop=ring, position=place, name=role, role=role, nominal=0, lower=-half, upper=half)
    sheet = browser.get("/TPW/loops/LP-01/?built=fixed").context["sheet"]
    assert sheet.tried.share > sheet.found.share and "each piece on its set-out place" in [
        a.words for a in sheet.advice
    ]
    assert browser.get("/TPW/loops/LP-01/?t1=1").context["form"]["built"].value() == "free"


@pytest.mark.parametrize("n", [2, 12])
def test_the_list_costs_the_same_queries(browser, lead, block, n, django_assert_max_num_queries):
    for k in range(n):
        make.loop(lead, f"LP-{k:02d}", [(612, 6), (block.component, 1, -1)])
    browser.get(LIST)
    with django_assert_max_num_queries(16):
        assert len(browser.get(LIST).context["sheets"]) == n


def test_who_may_see_nothing_sees_no_loops(stranger, signed_in, loop):
    assert signed_in(stranger).get(LIST).status_code == 403
    assert signed_in(stranger).get("/TPW/loops/LP-01/").status_code == 403


def test_a_visitor_reads_and_is_offered_no_change(visitor, signed_in, loop):
    page = text(signed_in(visitor).get("/TPW/loops/LP-01/"))
    assert "of assemblies close" in page and "Change the loop" not in page


def test_an_unknown_loop_is_not_found(browser, loop):
    assert browser.get("/TPW/loops/LP-77/").status_code == 404


# ---- building a loop -------------------------------------------------------------------------------------------------


def test_a_loop_is_built_from_a_drawn_and_a_typed_dimension(browser, block):
    answer = browser.post(ADD, typed(block))
    loop = ClosureLoop.objects.get()
    assert answer.url == "/TPW/loops/LP-01/" and loop.assemblies == 3
    bay, piece = loop.members.all()
    assert (bay.lower, bay.upper, piece.component, piece.number) == (606, 618, block.component, 1)


def test_tolerances_of_two_sides_and_inches_are_read(browser, block, lead):
    type(lead).objects.filter(pk=lead.pk).update(length_unit="in")
    browser.post(
        ADD, typed(block, **{"m1-nominal": "24.0", "m1-tolerance": "+0.2/-0.1", "lower": "8 mm", "upper": "16 mm"})
    )
    bay = ClosureLoop.objects.get().members.first()
    assert [float(v) for v in (bay.nominal, bay.lower, bay.upper)] == [609.6, 607.06, 614.68]


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"lower": "", "upper": ""}, "Give at least one limit"),
        ({"m1-tolerance": ""}, "Give its tolerance"),
        ({"m1-name": ""}, "Give it a name"),
        ({"m1-nominal": "long"}, "is not a"),
        ({"name": ""}, "This field is required"),
        ({"m2-name": "Bay"}, "a name of its own"),
        ({"m1-sensitivity": "0"}, "does nothing"),
    ],
)
def test_a_loop_that_is_not_complete_says_what_is_missing_and_keeps_what_was_typed(browser, block, more, says):
    answer = browser.post(ADD, typed(block, **more))
    assert answer.status_code == 200 and says in text(answer)
    assert 'value="6"' in answer.content.decode() or "m1-tolerance" in more
    assert not ClosureLoop.objects.exists()


def test_more_rows_are_given_without_complaints(browser, block):
    answer = browser.post(ADD, typed(block, more="1", name=""))
    assert len(answer.context["members"].rows) == 7 and "required" not in text(answer)
    assert not ClosureLoop.objects.exists() and 'value="612"' in answer.content.decode()


def test_a_formula_and_a_ring_are_built_by_hand(browser, block):
    formula = typed(block, how="formula", formula="a - b", unit="mm", **{"m1-name": "a", "m2-name": "b"})
    assert browser.post(ADD, formula).status_code == 302
    ring = {
        "how": "ring", "rows": "7", "name": "Ring", "pieces": "12", "chord": "900", "joint": "3", "depth": "200",
        "built": "free", "lower": "1", "upper": "5", "assemblies": "1", "m1-nominal": "0.1", "m1-tolerance": "1,5",
        "m2-tolerance": "0.05",
    }  # fmt: skip
    assert browser.post(ADD, ring).status_code == 302
    length, angle = ClosureLoop.objects.get(how="ring").members.all()
    assert (length.role, float(length.lower), float(length.upper)) == ("length", -1.4, 1.6)
    assert (angle.role, float(angle.upper)) == ("angle", 0.05)
    assert browser.get("/TPW/loops/LP-02/change/").context["members"].rows[0]["nominal"].value() == "0.1"


def test_a_formula_that_cannot_be_read_is_said_beside_it(browser, block):
    answer = browser.post(ADD, typed(block, how="formula", formula="Bay -", unit="mm"))
    assert "cannot be read as a formula" in text(answer) and not ClosureLoop.objects.exists()


def test_two_taps_add_one_loop(browser, block):
    token = re.search(r'name="(once[^"]*)" value="([^"]+)"', browser.get(ADD).content.decode())
    said = typed(block) | {token[1]: token[2]}
    browser.post(ADD, said)
    browser.post(ADD, said)
    assert ClosureLoop.objects.count() == 1


def test_a_loop_is_changed_and_ended(browser, loop, block):
    page = browser.get("/TPW/loops/LP-01/change/").content.decode()
    assert 'value="612"' in page and f'value="{block.component_id}-1" selected' in page
    browser.post("/TPW/loops/LP-01/change/", typed(block, lower="9"))
    assert ClosureLoop.objects.get().lower == 9
    assert "This field is required" in text(browser.post("/TPW/loops/LP-01/end/", {"why": ""}))
    browser.post("/TPW/loops/LP-01/end/", {"why": "Built otherwise"})
    assert "Ended" in text(browser.get(LIST)) and ClosureLoop.objects.get().ended_why == "Built otherwise"


@pytest.mark.parametrize("url", [ADD, "/TPW/loops/LP-01/change/", "/TPW/loops/LP-01/end/"])
def test_only_who_may_record_can_write(visitor, site_person, signed_in, loop, block, url):
    for person in (visitor, site_person):
        assert signed_in(person).post(url, typed(block, why="x", name="Other")).status_code == 403
    assert [(one.name, one.ended_at) for one in ClosureLoop.objects.all()] == [("Bay", None)]


@pytest.mark.parametrize("url", [ADD, "/TPW/loops/LP-01/change/", "/TPW/loops/LP-01/end/"])
def test_no_other_method_writes(browser, loop, block, url):
    assert browser.put(url, typed(block)).status_code == 405
    assert browser.post(LIST).status_code == browser.post("/TPW/loops/LP-01/").status_code == 405
    assert ClosureLoop.objects.get().name == "Bay"
