"""Nominal assemblies, scans of a whole mock-up and their position reports. All invented."""

import io
from datetime import timedelta
from decimal import Decimal

import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from openpyxl import Workbook

from fixtures.assemblies import about, stepped_block, take
from fixtures.files import write_ply_points, write_stl
from lessons import position_job
from lessons.forms.positions import PairsField
from lessons.models import MockupScan, NominalAssembly, PlacedPart
from lessons.position_table import as_text, preview
from lessons.reading.positions import Report
from lessons.services import positions as services
from logbook.models import Entry
from metrology.positions.assembly import PlacedPart as Placed
from metrology.reading import TableChoice, read_scan
from tests import make
from tests.make import NOON
from tests.refusals import refused

pytestmark = pytest.mark.django_db
BLOCK = stepped_block(300.0, 200.0, 160.0)
TABLE = """label;part number;revision;x;y;z;rz;position tolerance;turn tolerance;control
P1;SB-02;A;0;-230;0;0;6;0,5;yes
P2;SB-02;A;0;0;0;0;6;0,5;yes
P3;SB-02;A;30;230;0;5;6;0,5;yes
"""


@pytest.fixture
def block(lead, tmp_path):
    """A revision whose nominal is a stepped block."""
    path = tmp_path / "block.stl"
    write_stl(BLOCK, path)
    made = make.revision(make.component("SB-02"), author=lead)
    make.geometry(made, lead, content=path.read_bytes(), original_name="block.stl")
    return made


@pytest.fixture
def mockup(block):
    return make.mockup("MU-02")


@pytest.fixture
def scanner(db):
    return make.instrument("G-07", name="Scanner", kind="scanner", uncertainty=Decimal("0.1"))


@pytest.fixture
def assembly(mockup, technician):
    return imported(mockup, TABLE, technician)


@pytest.fixture
def scan_ply(tmp_path):
    """Three blocks: P2 is 5 mm too high, the others where they belong."""
    parts = [
        Placed(label, "SB-02 A", BLOCK, matrix)
        for label, matrix in zip(("P1", "P2", "P3"), matrices(TABLE), strict=True)
    ]
    taken = take(parts, {"P2": about(parts[1], (0, 0, 0), (0, 0, 5.0))}, points=25_000, posed=False)
    path = tmp_path / "scan.ply"
    write_ply_points(taken.cloud.points, path)
    return path.read_bytes()


@pytest.fixture
def upload(mockup, assembly, scanner, technician, scan_ply):
    def act(**values):
        standard = {
            "file": scan_ply, "original_name": "scan.ply", "unit": "mm", "instrument": scanner,
            "placing": "as scanned", "by": technician,
        }  # fmt: skip
        return services.scan_mockup(mockup, **(standard | values))

    return act


def matrices(table: str):
    from metrology.positions.assembly_table import read_table, rows_of_text

    return [row.matrix for row in read_table(rows_of_text(table), "mm", "x, y, z").rows]


def imported(mockup, table, by, **values):
    shown = preview(mockup, table, unit="mm", convention="x, y, z")
    return services.import_assembly(mockup, shown, unit="mm", convention="x, y, z", by=by, **values)


def worked_out(scan):
    assert position_job.run(scan.pk, scan.attempt)
    scan.refresh_from_db()
    return scan


# The table


def test_a_table_places_parts_with_the_nominal_that_is_on_file(assembly, block):
    parts = list(assembly.parts.all())
    assert [part.label for part in parts] == ["P1", "P2", "P3"]
    assert parts[2].nominal == block.geometry.get()
    assert np.array(parts[2].matrix).reshape(4, 4)[:3, 3].tolist() == [30, 230, 0]
    assert (parts[0].position_mm, parts[0].turn_deg, parts[0].control) == (6, Decimal("0.5"), True)
    entry = Entry.objects.get()
    assert entry.sentence.endswith("3\u00a0parts placed.")
    assert entry.details["nominals"]["P1"] == parts[0].nominal.file.sha256


def test_another_table_takes_the_place_of_the_first_which_stays(assembly, mockup, technician):
    second = imported(mockup, TABLE.replace("P3;", "P4;"), technician)
    assembly.refresh_from_db()
    assert (assembly.current, second.current, second.number) == (False, True, 2)
    assert assembly.parts.count() == 3


def test_without_a_revision_the_newest_with_a_nominal_is_taken(mockup, block, lead):
    make.revision(block.component, "B", author=lead)  # no nominal on file
    (row,) = preview(mockup, "label;part number;x;y;z\nP1;sb-02;0;0;0", unit="mm", convention="x, y, z").rows
    assert row.revision == block and not row.faults


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("P1;XX-01;;0;0;0", "There is no part XX-01 in this kit."),
        ("P1;SB-02;C;0;0;0", "SB-02 has no revision C. It has A."),
        ("P1;BARE;;0;0;0", "BARE A has no nominal mesh on file."),
        ("P1;SB-02;A;0;0;high", "z: “high” is not a number."),
    ],
)
def test_faults_of_rows_are_named_before_anything_is_saved(row, said, mockup, lead, technician):
    make.revision(make.component("BARE"), author=lead)
    table = "label;part number;revision;x;y;z\n" + row
    shown = preview(mockup, table, unit="mm", convention="x, y, z")
    assert said in " ".join(shown.rows[0].faults)
    refused("rows-refused", services.import_assembly, mockup, shown, unit="mm", convention="x, y, z", by=technician)


def test_a_table_of_no_use_is_refused(mockup):
    refused("table", preview, mockup, "nothing here", unit="mm", convention="x, y, z")


def test_spreadsheets_and_text_files_become_text_for_the_form():
    book = Workbook()
    book.active.append(["label", "part number", "x"])
    book.active.append(["P1", "SB-02", 1.5])
    content = io.BytesIO()
    book.save(content)
    assert as_text(content.getvalue(), "a.xlsx") == "label\tpart number\tx\nP1\tSB-02\t1.5"
    assert as_text("label;größe".encode("cp1252"), "a.csv") == "label;größe"
    assert as_text("label;x".encode("utf-16"), "a.csv").endswith("label;x")
    refused("table", as_text, b"\x89PNG\x00\x00", "a.png")
    refused("table", as_text, b"PK broken", "a.xlsx")


# The scan and its job


def test_a_scan_of_the_whole_is_worked_out(upload):
    scan = worked_out(upload())
    assert (scan.state, scan.result, scan.error) == ("done", "does not conform", "")
    assert scan.sentence.startswith(
        "3\u00a0parts found and P2 does not conform. SB-02 A at P2 sits 5.0\u00a0mm too high."
    )
    first = scan.figures["parts"][0]
    assert first["label"] == "P2"
    assert first["slide"] == pytest.approx([0, 0, 5.0], abs=0.15)
    assert scan.plan.media_type == scan.elevation.media_type == "image/png"
    acts = list(Entry.objects.order_by("number").values_list("act", flat=True))
    assert acts == ["assembly.imported", "mockup-scan.uploaded", "mockup-scan.reported"]


def test_control_parts_hold_the_whole(upload):
    scan = worked_out(upload(by_control=True))
    assert scan.figures["placed_by"] == "taken as scanned, fitted to the control parts P1, P2 and P3"


def test_a_scale_model_is_read_at_full_size(mockup, upload, scan_ply, tmp_path):
    mockup.scale = 5
    mockup.save()
    points = np.frombuffer(scan_ply.partition(b"end_header\n")[2], dtype="<f4").reshape(-1, 3) / 5
    write_ply_points(points, tmp_path / "model.ply")
    scan = worked_out(upload(file=(tmp_path / "model.ply").read_bytes()))
    assert scan.figures["uncertainty"] == pytest.approx(0.5, rel=0.01)
    assert scan.figures["parts"][0]["slide"][2] == pytest.approx(5.0, abs=0.2)
    assert Report(scan).notes[0].startswith("A model at 1")


def test_a_scan_in_the_wrong_unit_fails_with_both_sizes(upload):
    scan = worked_out(upload(unit="in"))
    assert (scan.state, scan.error_code) == ("failed", "size-mismatch")
    assert "The scan measures" in scan.error


def test_what_cannot_be_measured_is_refused(upload, mockup, technician, scanner):
    feeler = make.instrument("G-09", unit="°")
    refused("instrument", upload, instrument=feeler)
    refused("no-unit", upload, unit="ell")
    refused("future", upload, scanned_at=NOON + timedelta(days=9000))
    refused("too-few-pairs", upload, placing="marked points", pairs=[[0] * 6])
    refused("other-mockup", upload, trial=make.trial(make.mockup("MU-09"), technician))
    refused("not-a-scan", upload, original_name="photo.jpg")
    PlacedPart.objects.update(control=False)
    refused("no-control", upload, by_control=True)
    NominalAssembly.objects.update(current=False)
    refused("no-assembly", upload)


def test_a_report_is_withdrawn_once_with_its_reason(upload, technician):
    scan = worked_out(upload())
    refused("no-reason", services.withdraw_report, scan, reason=" ", by=technician)
    services.withdraw_report(scan, reason="The tripod was moved.", by=technician)
    assert scan.withdrawn_at
    refused("not-now", services.withdraw_report, scan, reason="Again.", by=technician)


def test_the_table_of_numbers_leaves_out_what_is_not_known(upload):
    scan = worked_out(upload())
    part = scan.figures["parts"][0]
    part["known"][1], part["slide_u"][1], part["label"] = False, None, "=P2"
    line = Report(scan).csv().splitlines()[1].split(",")
    assert line[1] == "'=P2" and line[5] == line[8] == ""
    assert float(line[6]) == pytest.approx(5.0, abs=0.2)


@pytest.mark.parametrize("text", ["1 2 3 4 5", "a b c d e f", "1;2;3;4;5;6;7"])
def test_marked_points_are_six_numbers_a_line(text):
    from django.forms import ValidationError

    assert PairsField().clean("1; 2,5; 3; 4; 5; 6\n\n-1 0 0 1 1 1") == [[1, 2.5, 3, 4, 5, 6], [-1, 0, 0, 1, 1, 1]]
    with pytest.raises(ValidationError):
        PairsField().clean(text)


# Pages

MOCKUP = ["TPW", "MU-02"]


def url(name, *args):
    return reverse(f"lessons:{name}", args=args or MOCKUP)


def test_importing_shows_first_and_saves_when_it_is_confirmed(mockup, technician, signed_in):
    client = signed_in(technician)
    data = {"unit": "mm", "convention": "x, y, z", "text": TABLE}
    shown = client.post(url("import_assembly"), data)
    assert "What would come in" in shown.content.decode() and not NominalAssembly.objects.exists()
    bad = client.post(url("import_assembly"), data | {"text": TABLE.replace("SB-02", "SB-77"), "confirm": "1"})
    assert "There is no part SB-77 in this kit." in bad.content.decode() and not NominalAssembly.objects.exists()
    assert client.post(url("import_assembly"), data | {"confirm": "1"}).status_code == 302
    page = client.get(url("assembly")).content.decode()
    assert "P3" in page and "230.0" in page


def test_a_file_is_read_into_the_text_box(mockup, technician, signed_in):
    file = SimpleUploadedFile("two-bay.csv", TABLE.encode())
    page = signed_in(technician).post(url("import_assembly"), {"unit": "mm", "convention": "x, y, z", "file": file})
    assert "P1;SB-02;A;0;-230" in page.content.decode() and 'value="two-bay.csv"' in page.content.decode()


def test_a_scan_is_uploaded_on_its_page(assembly, technician, scanner, signed_in, scan_ply):
    client = signed_in(technician)
    form = {
        "unit": "mm", "instrument": scanner.pk, "scanned_at": "2026-05-12 12:00", "placing": "as scanned",
        "axes": "assembly", "search_mm": "40", "pairs": "", "trial": "",
    }  # fmt: skip
    short = client.post(url("scan_mockup"), form | {"file": SimpleUploadedFile("scan.ply", scan_ply), "search_mm": "x"})
    assert "“x” is not a number" in short.content.decode() and "scan.ply is here already" in short.content.decode()
    answer = client.post(url("scan_mockup"), form | {"file": SimpleUploadedFile("scan.ply", scan_ply)})
    assert answer.url == MockupScan.objects.get().get_absolute_url()


def test_without_an_assembly_there_is_nothing_to_scan_against(mockup, technician, signed_in):
    assert "It cannot be scanned yet" in signed_in(technician).get(url("scan_mockup")).content.decode()


def test_the_report_reads_out_what_was_found(upload, technician, signed_in):
    trial = make.trial(make.Mockup.objects.get(), technician)
    make.question(trial.mockup, technician)
    scan = worked_out(upload(trial=trial))
    client = signed_in(technician)
    page = client.get(scan.get_absolute_url()).content.decode()
    assert scan.code in client.get(trial.get_absolute_url()).content.decode()
    for said in ("5.0\u00a0mm too high", "does not conform", trial.code, "Q-01", "plan.png", "ISO 1101"):
        assert said in page
    table = client.get(reverse("lessons:position_table", args=["TPW", scan.code]))
    assert table["Content-Type"].startswith("text/csv") and "P2,SB-02 A,yes" in table.content.decode()
    mockup_page = client.get(url("mockup")).content.decode()
    assert scan.code in mockup_page and "Nominal assembly 1" in mockup_page


def test_a_report_on_an_earlier_assembly_says_so(upload, mockup, technician, signed_in):
    scan = worked_out(upload())
    imported(mockup, TABLE, technician)
    assert "no longer the current one" in signed_in(technician).get(scan.get_absolute_url()).content.decode()


def test_while_it_is_under_way_the_page_asks_for_the_job_alone(upload, technician, signed_in):
    scan = upload()
    client, here = signed_in(technician), scan.get_absolute_url() + "?part=job"
    part = client.get(here, HTTP_HX_REQUEST="true")
    assert "Position report PR-01" in part.content.decode() and "<html" not in part.content.decode()
    worked_out(scan)
    assert client.get(here, HTTP_HX_REQUEST="true").headers["HX-Refresh"] == "true"


def test_stopping_and_working_out_again(upload, technician, signed_in):
    scan = upload()
    client = signed_in(technician)
    client.post(reverse("lessons:stop_position_report", args=["TPW", scan.code]))
    scan.refresh_from_db()
    assert scan.state == "stopped"
    client.post(reverse("lessons:position_report_again", args=["TPW", scan.code]), {"unit": "cm"})
    scan.refresh_from_db()
    assert (scan.state, scan.attempt, scan.unit) == ("waiting", 2, "cm")


# The file of the scan


@pytest.fixture
def page(assembly, mockup, scanner, technician, signed_in):
    """page(…) sends the form of the upload page; what is given replaces the usual."""
    session = signed_in(technician)

    def send(content=None, name="scan.csv", **given):
        file = {"file": SimpleUploadedFile(name, content)} if content is not None else {}
        usual = {
            "unit": "mm", "instrument": scanner.pk, "scanned_at": "2026-05-12 12:00", "placing": "as scanned",
            "axes": "assembly", "search_mm": "40",
        }  # fmt: skip
        return session.post(reverse("lessons:scan_mockup", args=MOCKUP), usual | file | given)

    return send


def told(answer, **changed):
    """What the form of the answer would send: the kept file, and how its rows are read."""
    step, form = answer.context["table"], answer.context["form"]
    values = step.form.data if step.form.is_bound else step.form.initial
    choice = {name: values[name] for name in ("delimiter", "decimal", "skipped", "x", "y", "z")}
    return {"kept": form.data["kept"], "shown": step.shown, "confirm": "1"} | choice | changed


def test_a_table_of_points_is_shown_before_it_is_taken_and_read_as_was_agreed(page, scan_ply, tmp_path):
    points = read_scan(tmp_path / "scan.ply", unit="mm").points
    rows = "x;y;z\n" + "".join(f"{y:.3f};{x:.3f};{z:.3f}\n".replace(".", ",") for x, y, z in points.tolist())
    first = page(rows.encode())
    assert "These are x, y and z: go on" in first.content.decode()
    second = page(**told(first, x="2", y="1"))
    assert "Look once more" in second.content.decode()
    assert not MockupScan.objects.exists()
    assert page(**told(second)).status_code == 302
    scan = MockupScan.objects.get()
    assert scan.reading == {"table": TableChoice("semicolon", "comma", 1, 2, 1, 3).as_stored()}
    assert Entry.objects.first().details["reading"] == scan.reading
    assert worked_out(scan).state == "done", scan.error
    assert {row.part["label"]: row.part["found"] for row in Report(scan).rows} == {"P1": True, "P2": True, "P3": True}


def test_a_file_that_states_another_unit_stops_and_one_tap_mends_it(page):
    rows = "x [in];y [in];z [in]\n" + "".join(f"{k};{k * k % 97};{k % 7}\n" for k in range(200))
    first = page(rows.encode())
    second = page(**told(first))
    assert "in inches" in second.content.decode() or "inches" in second.context["form"].errors["unit"][0]
    assert not MockupScan.objects.exists()
    assert page(**told(first), take_unit="in").status_code == 302
    assert (MockupScan.objects.get().unit, MockupScan.objects.get().original_name) == ("in", "scan.csv")


def test_what_cannot_be_a_scan_is_refused_beside_the_file_with_nothing_kept(page):
    answer = page(b"%PDF-1.7 a drawing", "scan.ply")
    assert "a PDF document" in answer.context["form"].errors["file"][0]
    assert not MockupScan.objects.exists()


WRITES = {
    "import": ("import_assembly", MOCKUP, {"unit": "mm", "convention": "x, y, z", "text": TABLE, "confirm": "1"}),
    "stop": ("stop_position_report", ["TPW", "PR-01"], {}),
    "again": ("position_report_again", ["TPW", "PR-01"], {}),
    "withdraw": ("withdraw_position_report", ["TPW", "PR-01"], {"reason": "Wrong mock-up."}),
}


@pytest.mark.parametrize("name", WRITES)
@pytest.mark.parametrize("who", ["site_person", "visitor", "stranger"])
def test_others_may_not_write(name, who, upload, request, signed_in):
    upload()
    before = (NominalAssembly.objects.count(), Entry.objects.count())
    view, args, data = WRITES[name]
    answer = signed_in(request.getfixturevalue(who)).post(reverse(f"lessons:{view}", args=args), data)
    assert answer.status_code == 403
    assert (NominalAssembly.objects.count(), Entry.objects.count()) == before


@pytest.mark.parametrize("name", WRITES)
def test_the_technician_may_write_and_not_by_another_method(name, upload, technician, signed_in):
    worked_out(upload())
    view, args, data = WRITES[name]
    client, address = signed_in(technician), reverse(f"lessons:{view}", args=args)
    assert client.put(address).status_code == 405
    assert client.post(address, data).status_code == 302


def test_reading_needs_its_permissions(upload, visitor, stranger, signed_in):
    scan = upload()
    for address in (url("assembly"), scan.get_absolute_url()):
        assert signed_in(visitor).get(address).status_code == 200
        assert signed_in(stranger).get(address).status_code == 403


def test_the_pages_cost_the_same_for_few_and_many(upload, mockup, technician, signed_in):
    client = signed_in(technician)

    def cost(address):
        client.get(address)
        with CaptureQueriesContext(connection) as queries:
            client.get(address)
        return len(queries)

    worked_out(upload())
    few = cost(url("mockup")), cost(url("assembly"))
    for _ in range(6):
        upload()
    rows = "".join(f"Q{k};SB-02;A;0;{k * 300};900;0;6;0,5;no\n" for k in range(20))
    imported(mockup, TABLE + rows, technician)
    assert (cost(url("mockup")), cost(url("assembly"))) == few
