"""The pages of this room: who may do what, what stays when it is refused, what a list costs."""

import re
import uuid

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from logbook.models import Entry
from parts import services
from parts.models import Characteristic, Component, Geometry, Interface, Kit, Region, Revision
from tests import make
from tests.parts.mesh_files import PDF, cube_obj

pytestmark = pytest.mark.django_db
SHEET = ["TPW", "SB-02", "A"]
ROW = {
    "number": "2", "name": "Width", "kind": "length", "nominal": "400", "lower": "399,5", "upper": "400.5",
    "unit": "mm", "weight": "major", "method": "by hand",
}  # fmt: skip
KIT = {"name": "Other", "time_zone": "Europe/London", "length_unit": "in"}
REVISION = {"what_changed": "Seat lowered", "why": "Fit", "strength_age_days": "28"}
TABLE = "name;lower;upper\nWidth;1;2\nHeight;3;4\n"


@pytest.fixture
def revision(lead):
    """A revision in preparation with one row of each kind. What made it is not in the logbook."""
    made = make.revision(author=lead, state="in preparation")
    make.characteristic(made)
    Region.objects.create(
        revision=made, name="Seat", selection={"facing": {"way": [0, 0, 1], "within": 45}}, lower=-1, upper=1
    )
    make.interface(made.component)
    return made


def mesh(content=None, name="block.obj"):
    return SimpleUploadedFile(name, cube_obj() if content is None else content)


def component_data(**fields):
    standard = {"part_number": "DP-01", "name": "Deck panel", "material": "C40", "made_how": "open-face"}
    return standard | {"quantity": "14", "criticality": "major"} | fields


def interface_data(**fields):
    block = Component.objects.get(part_number="SB-02").pk
    return {"code": "", "name": "Side", "component_a": block, "component_b": block, "lower": "1,5"} | fields


# What each writing page is sent, and how many records of which kind there are afterwards.
ACTS = {
    "new kit": ("kits:new", [], lambda: KIT | {"code": "OTHER"}, Kit, 2),
    "change kit": ("parts:change_kit", ["TPW"], lambda: dict(KIT), Kit, 1),
    "new component": ("parts:new_component", ["TPW"], component_data, Component, 2),
    "change component": (
        "parts:change_component", ["TPW", "SB-02"], lambda: component_data(name="Other"), Component, 1,
    ),
    "new interface": ("parts:new_interface", ["TPW"], interface_data, Interface, 2),
    "change interface": ("parts:change_interface", ["TPW", "I-01"], lambda: interface_data(code="I-01"), Interface, 1),
    "new revision": (
        "parts:new_revision", ["TPW", "SB-02"],
        lambda: REVISION | {"letter": "B"}, Revision, 2,
    ),
    "change revision": (
        "parts:change_revision", SHEET, lambda: dict(REVISION), Revision, 1,
    ),
    "start trial": ("parts:start_trial", SHEET, dict, Revision, 1),
    "nominal": ("parts:file_nominal", SHEET, lambda: {"file": mesh(), "unit": "mm"}, Geometry, 1),
    "drawing": ("parts:file_drawing", SHEET, lambda: {"file": mesh(PDF, "a.pdf")}, Geometry, 1),
    "new row": ("parts:new_characteristic", SHEET, lambda: dict(ROW), Characteristic, 2),
    "change row": ("parts:change_characteristic", [*SHEET, 1], lambda: ROW | {"number": "1"}, Characteristic, 1),
    "remove row": ("parts:remove_characteristic", [*SHEET, 1], dict, Characteristic, 0),
    "import": ("parts:import", SHEET, lambda: {"text": TABLE, "confirm": "1"}, Characteristic, 3),
    "new region": (
        "parts:new_region", SHEET, lambda: {"name": "Rim", "facing": "up", "lower": "-1", "upper": "1"}, Region, 2,
    ),
    "remove region": (
        "parts:remove_region", lambda: [*SHEET, Region.objects.get().pk], dict, Region, 0,
    ),
}  # fmt: skip
ONLY_SENT = {"start trial", "remove row", "remove region"}


def ready(act):
    """(address, what is sent, model, count afterwards) of a writing page."""
    name, args, data, model, after = ACTS[act]
    return reverse(name, args=args() if callable(args) else args), data(), model, after


@pytest.mark.parametrize("act", ACTS)
def test_a_lead_may(lead, revision, signed_in, act):
    url, data, model, after = ready(act)
    response = signed_in(lead).post(url, data)
    assert response.status_code == 302, response.context["form"].errors
    assert model.objects.count() == after
    entry = Entry.objects.get()
    assert entry.who == lead
    assert entry.trail.split("/")[0] in ("TPW", "OTHER")


@pytest.mark.parametrize("act", ACTS)
@pytest.mark.parametrize("role", ["technician", "site_person", "visitor", "stranger"])
def test_nobody_else_may(request, revision, signed_in, act, role):
    url, data, model, _ = ready(act)
    before = list(model.objects.values())
    assert signed_in(request.getfixturevalue(role)).post(url, data).status_code == 403
    assert list(model.objects.values()) == before
    assert not Entry.objects.exists()


@pytest.mark.parametrize("act", ACTS)
def test_a_passer_by_is_asked_to_sign_in(client, revision, act):
    url, data, *_ = ready(act)
    response = client.post(url, data)
    assert response.status_code == 302
    assert response.url.startswith(reverse("sign-in"))
    assert not Entry.objects.exists()


@pytest.mark.parametrize("act", ACTS)
def test_other_methods_are_refused(lead, revision, signed_in, act):
    url, *_ = ready(act)
    session = signed_in(lead)
    assert session.put(url).status_code == 405
    assert session.get(url).status_code == (405 if act in ONLY_SENT else 200)


@pytest.mark.parametrize("act", sorted(set(ACTS) - {"change kit", "nominal", "drawing"}))
def test_a_double_click_acts_once(lead, revision, signed_in, act):
    url, data, model, after = ready(act)
    data["once"] = str(uuid.uuid4())
    session = signed_in(lead)
    first, second = session.post(url, data), session.post(url, data)
    assert model.objects.count() == after
    assert Entry.objects.count() == 1
    if second.status_code == 302:
        assert first.url == second.url


PAGES = {
    "kits": ("kits:list", []),
    "parts": ("parts:list", ["TPW"]),
    "component": ("parts:component", ["TPW", "SB-02"]),
    "definition": ("parts:definition", SHEET),
    "logbook of a revision": ("parts:logbook", SHEET),
}


@pytest.mark.parametrize("page", PAGES)
@pytest.mark.parametrize("role", ["lead", "technician", "site_person", "visitor"])
def test_every_role_may_read(request, revision, signed_in, page, role):
    name, args = PAGES[page]
    assert signed_in(request.getfixturevalue(role)).get(reverse(name, args=args)).status_code == 200


@pytest.mark.parametrize("page", PAGES)
def test_a_stranger_may_not_read(stranger, revision, signed_in, client, page):
    name, args = PAGES[page]
    url = reverse(name, args=args)
    assert signed_in(stranger).get(url).status_code == 403
    assert client.get(url).status_code == 302
    assert signed_in(stranger).post(url).status_code == 405


@pytest.mark.parametrize(
    "url", ["/TPW/parts/XX-99/", "/TPW/parts/SB-02/Z/definition/", "/NONE/parts/", "/TPW/interfaces/I-99/"]
)
def test_what_is_not_there_is_not_found(lead, revision, signed_in, url):
    assert signed_in(lead).get(url).status_code == 404


def test_a_visitor_is_offered_nothing_that_changes_anything(visitor, revision, signed_in):
    session = signed_in(visitor)
    offers = {reverse(name, args=args() if callable(args) else args) for name, args, *_ in ACTS.values()}
    for name, args in PAGES.values():
        page = session.get(reverse(name, args=args)).content.decode()
        assert not {url for url in offers if f'"{url}"' in page}
        assert 'method="post"' not in page[page.index("<main") :]


def add_components(first, last, lead):
    for i in range(first, last):
        component = make.component(f"XX-{i:02d}", family=f"f{i % 3}")
        for letter in "AB":
            make.revision(component, letter, lead, state="superseded")
        make.interface(component, code=f"J-{i}")
        make.kit(f"K{i}")


@pytest.mark.parametrize("page", ["kits", "parts"])
def test_a_list_costs_the_same_for_2_and_for_20(lead, revision, signed_in, page):
    session, costs = signed_in(lead), []
    name, args = PAGES[page]
    for first, last in ((0, 1), (1, 19)):
        add_components(first, last, lead)
        with CaptureQueriesContext(connection) as queries:
            assert session.get(reverse(name, args=args)).status_code == 200
        costs.append(len(queries))
    assert costs[0] == costs[1] <= 12


@pytest.mark.parametrize("page", ["component", "definition"])
def test_a_record_costs_the_same_however_much_hangs_on_it(lead, revision, signed_in, page):
    session, costs = signed_in(lead), []
    name, args = PAGES[page]
    for n in (2, 20):
        for i in range(Characteristic.objects.count() + 1, n + 1):
            make.characteristic(revision, i)
            Region.objects.create(
                revision=revision,
                name=f"r{i}",
                selection={"facing": {"way": [0, 0, 1], "within": 45}},
                lower=-1,
                upper=1,
            )
            make.interface(revision.component, code=f"J-{i}")
            make.revision(revision.component, "BCDEFGHIJKLMNOPQRSTUVWXYZ"[i], lead, state="superseded")
        with CaptureQueriesContext(connection) as queries:
            session.get(reverse(name, args=args))
        costs.append(len(queries))
    assert costs[0] == costs[1]


def test_what_was_typed_stays_when_it_is_refused(lead, revision, signed_in):
    url = reverse("parts:new_characteristic", args=SHEET)
    page = signed_in(lead).post(url, ROW | {"lower": "401", "name": "Seat <width>"}).content.decode()
    assert "Did you mean 400.5 to 401" in page
    assert 'value="401"' in page
    assert 'value="Seat &lt;width&gt;"' in page
    assert Characteristic.objects.count() == 1


def test_a_refusal_of_the_service_stands_beside_its_field(lead, revision, signed_in):
    response = signed_in(lead).post(reverse("parts:new_component", args=["TPW"]), component_data(part_number="sb-02"))
    assert response.context["form"].errors["part_number"] == [
        "SB-02 is the part number of Saddle block. Choose another, or open that component."
    ]
    assert Component.objects.count() == 1


def test_save_and_add_the_next_leads_to_an_empty_form(lead, revision, signed_in):
    session = signed_in(lead)
    response = session.post(reverse("parts:new_characteristic", args=SHEET), ROW | {"and-next": "1"}, follow=True)
    assert response.redirect_chain[0][0] == reverse("parts:new_characteristic", args=SHEET)
    assert 'value="3"' in response.content.decode()


@pytest.mark.parametrize(
    ("content", "unit", "field", "sentence"),
    [
        (bytes(range(256)) * 8, "mm", "file", "not STL"),
        (b"", "mm", "file", "The file is empty (0 bytes)"),
        (cube_obj().replace(b"v 0 0 0", b"v nan 0 0"), "mm", "file", "not finite"),
    ],
)
def test_a_mesh_that_is_no_use_says_so_beside_its_field(lead, revision, signed_in, content, unit, field, sentence):
    url = reverse("parts:file_nominal", args=SHEET)
    response = signed_in(lead).post(url, {"file": mesh(content, "block.stl"), "unit": unit})
    assert sentence in response.context["form"].errors[field][0]
    assert "Choose the file again" in response.content.decode()
    assert not Geometry.objects.exists()


def test_a_nominal_without_a_unit_is_kept_and_need_not_be_sent_again(lead, revision, signed_in):
    url, session = reverse("parts:file_nominal", args=SHEET), signed_in(lead)
    response = session.post(url, {"file": mesh(cube_obj(), "block.obj"), "unit": ""})
    assert "Say in which unit the file is" in response.context["form"].errors["unit"][0]
    assert "block.obj is here already" in response.content.decode()
    session.post(url, {"kept": response.context["form"].data["kept"], "unit": "mm"})
    assert Geometry.objects.get().original_name == "block.obj"


def test_a_drawing_that_is_a_picture_is_refused(lead, revision, signed_in):
    response = signed_in(lead).post(
        reverse("parts:file_drawing", args=SHEET), {"file": mesh(b"\xff\xd8\xff\xe0", "a.pdf")}
    )
    assert "is not a PDF" in response.context["form"].errors["file"][0]


def test_the_definition_sheet_shows_the_mesh_its_warning_and_its_files(lead, revision, signed_in):
    services.set_geometry(
        revision, role="nominal", file=cube_obj(without=1), original_name="block.obj", unit="mm", by=lead
    )
    services.set_geometry(revision, role="drawing", file=PDF, original_name="SB-02 A.pdf", by=lead)
    session = signed_in(lead)
    page = session.get(reverse("parts:definition", args=SHEET)).content.decode()
    assert "not watertight, so its volume is not known" in page
    assert "100.0 × 100.0 × 100.0" in page
    links = re.findall(r'(?:href|src)="(/TPW/files/[^"]+)"', page)
    assert len(links) == 3
    assert all(session.get(link).status_code == 200 for link in links)


def test_a_closed_definition_offers_no_change_and_says_why(lead, revision, signed_in):
    Revision.objects.update(state="buildable")
    page = signed_in(lead).get(reverse("parts:definition", args=SHEET)).content.decode()
    main = page[page.index("<main") :]
    assert "The definition is closed" in page
    assert 'class="btn' not in main


@pytest.mark.parametrize("act", ["nominal", "new row", "import", "new region", "remove region", "start trial"])
def test_a_page_left_open_cannot_change_a_closed_definition(lead, revision, signed_in, act):
    url, data, model, _ = ready(act)
    Revision.objects.update(state="buildable")
    before = list(model.objects.values())
    page = signed_in(lead).post(url, data, follow=True).content.decode()
    assert "is buildable" in page
    assert list(model.objects.values()) == before
    assert not Entry.objects.exists()


def test_an_import_is_looked_at_first_and_keeps_the_pasted_text(lead, revision, signed_in):
    response = signed_in(lead).post(reverse("parts:import", args=SHEET), {"text": TABLE})
    page = response.content.decode()
    assert "Take in 2 characteristics" in page
    assert "Height;3;4" in page
    assert Characteristic.objects.count() == 1


def test_an_import_with_a_fault_cannot_be_confirmed(lead, revision, signed_in):
    text = TABLE + "Depth;5;4\n"
    response = signed_in(lead).post(reverse("parts:import", args=SHEET), {"text": text, "confirm": "1"})
    page = response.content.decode()
    assert "1 of 3 rows needs another look" in page
    assert "Did you mean 4 to 5" in page
    assert 'name="confirm"' not in page
    assert "Depth;5;4" in page
    assert Characteristic.objects.count() == 1


def test_a_file_of_characteristics_moves_into_the_text_box(lead, revision, signed_in):
    upload = SimpleUploadedFile("rows.csv", TABLE.encode("utf-16"))
    page = signed_in(lead).post(reverse("parts:import", args=SHEET), {"text": "", "file": upload}).content.decode()
    assert "Take in 2 characteristics" in page
    assert "Height;3;4" in page


def test_a_workbook_is_refused_beside_the_file(lead, revision, signed_in):
    upload = SimpleUploadedFile("rows.xlsx", b"PK\x03\x04\0\0")
    response = signed_in(lead).post(reverse("parts:import", args=SHEET), {"text": "", "file": upload})
    assert "Save the spreadsheet as CSV" in response.context["form"].errors["file"][0]


def test_a_new_revision_proposes_the_next_letter_and_takes_over(lead, revision, signed_in):
    session = signed_in(lead)
    url = reverse("parts:new_revision", args=["TPW", "SB-02"])
    assert session.get(url).context["form"]["letter"].value() == "B"
    session.post(url, REVISION | {"letter": "B", "copy_before": "on"})
    assert Revision.objects.get(letter="B").characteristics.count() == 1


def test_a_trial_is_started_and_said(lead, revision, signed_in):
    page = signed_in(lead).post(reverse("parts:start_trial", args=SHEET), follow=True).content.decode()
    assert "SB-02 A is on trial." in page
    assert Revision.objects.get().state == "on trial"
