"""Taking in a scan: every format, a look at the rows of a table, the file's own unit, and one scan for two presses."""

import uuid

import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from fixtures.formats import Stand, write_e57, write_las
from inspection import services
from inspection.jobs import _uncertainty
from inspection.models import Scan
from inspection.services.scans import MEDIA_TYPES, check_stated_unit, how_to_read, keep_scan_file
from logbook.models import Entry, StoredFile
from metrology.reading import TableChoice
from metrology.reading.accepted import SUFFIXES
from parts.errors import OtherUnit, Refusal
from tests.inspection.rows import make_scan
from tests.metrology.broken_files import written

pytestmark = pytest.mark.django_db
POINTS = np.random.default_rng(3).uniform(-0.3, 0.3, size=(150, 3)).round(4)
GERMAN = "x;y;z\n" + "".join(
    ";".join(f"{v:.4f}".replace(".", ",") for v in row) + "\n" for row in (POINTS * 1000).tolist()
)
UNNAMED = "".join(",".join(map(str, row)) + "\n" for row in (POINTS * 1000).astype(int).tolist() for _ in range(2))
SEEN = TableChoice("semicolon", "comma", 1, 1, 2, 3)


@pytest.fixture
def e57():
    pytest.importorskip("pye57", reason="no reader of E57 comes for this machine")
    return written("a.e57", lambda path: write_e57([Stand(POINTS)], path))


@pytest.fixture
def page(piece, arm, technician, signed_in):
    """page(…) sends the form of the upload page; what is given replaces the usual."""
    session = signed_in(technician)

    def send(content=None, name="scan.csv", **given):
        file = {"file": SimpleUploadedFile(name, content)} if content is not None else {}
        usual = {"unit": "mm", "instrument": arm.pk, "scanned_at": "2026-05-14T12:00"}
        return session.post(reverse("inspection:upload", args=["TPW", piece.serial]), usual | file | given)

    return send


def told(answer, **changed):
    """What the form of the answer would send: the kept file, and how its rows are read."""
    step, form = answer.context["table"], answer.context["form"]
    values = step.form.data if step.form.is_bound else step.form.initial
    choice = {name: values[name] for name in ("delimiter", "decimal", "skipped", "x", "y", "z")}
    return {"kept": form.data["kept"], "shown": step.shown, "confirm": "1"} | choice | changed


# ---- formats ---------------------------------------------------------------------------------------------------------


def test_every_accepted_ending_has_its_media_type_and_stands_on_the_page(piece, arm, technician, signed_in):
    assert set(MEDIA_TYPES) == set(SUFFIXES["scan"])
    text = signed_in(technician).get(reverse("inspection:upload", args=["TPW", piece.serial])).content.decode()
    for name in ("E57", "LAS", "LAZ", "PLY", "STL", "OBJ", "3MF", "XYZ", "CSV", "TXT", "ASC", "PTS"):
        assert name in text
    assert all(suffix in text for suffix in SUFFIXES["scan"])


@pytest.mark.parametrize(
    ("name", "advice"),
    [
        ("scan.fls", "Export the points from the scanner's software as E57"),
        ("scan.zip", "Unpack it"),
        ("scan.xlsx", "Save the sheet with the points as CSV"),
        ("scan.step", "is a design, not a measurement"),
        ("scan.ptx", "Export the scan as E57"),
        ("scan.odd", "is not in a format that is read here. Export the scan as E57, LAS"),
    ],
)
def test_what_to_do_with_other_formats_is_said(page, name, advice):
    assert advice in page(b"x" * 500, name).context["form"].errors["file"][0]
    assert not StoredFile.objects.filter(media_type="").exists()


def test_an_e57_is_taken_in_metres(page, e57):
    assert page(e57, "scan.e57", unit="m").status_code == 302
    scan = Scan.objects.get()
    assert (scan.unit, scan.reading, scan.file.media_type) == ("m", {}, "model/e57")


# ---- the file's own unit ---------------------------------------------------------------------------------------------


def test_another_unit_than_the_files_stops_and_one_tap_mends_it(page, e57):
    answer = page(e57, "scan.e57")
    assert "the file itself says metres" in answer.context["form"].errors["unit"][0]
    assert "Take metres, as the file says" in answer.content.decode()
    assert not Scan.objects.exists()
    assert page(kept=answer.context["form"].data["kept"], take_unit="m").status_code == 302
    assert Scan.objects.get().unit == "m"


def test_who_knows_better_than_the_file_may_insist(page, e57):
    kept = page(e57, "scan.e57").context["form"].data["kept"]
    assert page(kept=kept, insist="mm").status_code == 302
    scan = Scan.objects.get()
    assert how_to_read(scan) == {"table": None, "overrule": True}
    assert "although the file states another unit" in Entry.objects.get().sentence


def test_insisting_counts_for_that_unit_alone(page, e57):
    kept = page(e57, "scan.e57").context["form"].data["kept"]
    assert "unit" in page(kept=kept, insist="mm", unit="cm").context["form"].errors


@pytest.mark.parametrize(
    ("name", "content", "own"),
    [
        ("a.las", lambda: written("a.las", lambda path: write_las(POINTS, path, linear_unit=9002)), "ft"),
        ("a.csv", lambda: GERMAN.replace("x;y;z", "x [in];y [in];z [in]").encode(), "in"),
        ("a.3mf", None, "in"),
    ],
)
def test_the_own_unit_of_every_format_is_found_without_reading_its_points(db, name, content, own):
    from fixtures.formats import model_xml, write_3mf_package

    body = content() if content else written(name, lambda path: write_3mf_package(path, model_xml("", "inch")))
    stored = keep_scan_file(body, name)
    with pytest.raises(OtherUnit) as refusal:
        check_stated_unit(stored, name, "mm")
    assert (refusal.value.likely_unit, refusal.value.field) == (own, "unit")
    check_stated_unit(stored, name, own)


# ---- a look at the rows of a table -----------------------------------------------------------------------------------


def test_a_table_is_shown_before_it_is_taken(page):
    answer = page(GERMAN.encode())
    text = answer.content.decode()
    assert answer.context["table"].preview.choice == SEEN
    assert "These are x, y and z" in text
    assert "scan.csv is here already" in text
    assert f"{POINTS[0, 0] * 1000:.4f}".replace(".", ",") in text
    assert not Scan.objects.exists()


def test_what_was_seen_and_agreed_to_is_stored_with_the_scan(page):
    answer = page(**told(page(GERMAN.encode())))
    assert answer.status_code == 302
    scan = Scan.objects.get()
    assert scan.reading == {"table": SEEN.as_stored()}
    assert how_to_read(scan) == {"table": SEEN, "overrule": False}
    assert Entry.objects.get().details["reading"] == scan.reading


def test_other_columns_are_shown_once_more_before_they_count(page):
    first = page(GERMAN.encode())
    second = page(**told(first, x="3", z="1"))
    assert second.status_code == 200
    assert "Look once more" in second.content.decode()
    assert not Scan.objects.exists()
    assert page(**told(second)).status_code == 302
    assert how_to_read(Scan.objects.get())["table"].axes == (2, 1, 0)


def test_looking_again_takes_nothing(page):
    sent = told(page(GERMAN.encode()), decimal="point") | {"look": "1"}
    del sent["confirm"]
    answer = page(**sent)
    assert "which is not a number when it is read like this" in answer.content.decode()
    assert not Scan.objects.exists()


def test_what_cannot_be_read_cannot_be_agreed_to(page):
    broken = page(**told(page(GERMAN.encode()), delimiter="tab"))
    assert page(**told(broken)).status_code == 200
    assert not Scan.objects.exists()


def test_a_table_that_is_not_understood_can_be_put_right(page):
    numbers = np.random.default_rng(1).integers(0, 900, size=(150, 6))
    rows = "".join(",".join(map(str, row)) + "\n" for row in numbers.tolist())
    first = page(rows.encode())
    assert "may part columns or mark decimals" in first.content.decode()
    second = page(**told(first, x="2", y="1"))
    assert page(**told(second)).status_code == 302
    assert how_to_read(Scan.objects.get())["table"] == TableChoice("comma", "point", 0, 2, 1, 3)


@pytest.mark.parametrize("value", ["-1", "many", "", "99999"])
def test_a_senseless_number_of_lines_is_said_beside_its_field(page, value):
    answer = page(**told(page(GERMAN.encode()), skipped=value))
    assert answer.context["table"].form.errors["skipped"]
    assert not Scan.objects.exists()


def test_a_forged_or_foreign_look_counts_for_nothing(page):
    first = page(GERMAN.encode())
    assert page(**told(first, shown="abc:def")).status_code == 200
    other = page(GERMAN.replace("x", "X").encode())
    assert page(**told(first, kept=other.context["form"].data["kept"])).status_code == 200
    assert not Scan.objects.exists()


def test_a_table_is_read_by_other_columns_afterwards(piece, arm, technician, signed_in, page):
    page(**told(page(GERMAN.encode())))
    Scan.objects.update(state="failed")
    session, url = signed_in(technician), reverse("inspection:columns", args=["TPW", "S-01"])
    first = session.get(url)
    assert first.context["table"].preview.choice == SEEN
    sent = first.context["table"].form.initial | {"x": 2, "y": 1, "shown": first.context["table"].shown, "confirm": "1"}
    second = session.post(url, sent)
    assert "Look once more" in second.content.decode()
    assert session.post(url, sent | {"shown": second.context["table"].shown}).status_code == 302
    scan = Scan.objects.get()
    assert (scan.state, how_to_read(scan)["table"].axes) == ("waiting", (1, 0, 2))


@pytest.mark.parametrize("who", ["visitor", "site_person", "stranger"])
def test_others_may_not_change_how_a_scan_is_read(who, piece, arm, technician, page, signed_in, request):
    page(**told(page(GERMAN.encode())))
    url = reverse("inspection:columns", args=["TPW", "S-01"])
    session = signed_in(request.getfixturevalue(who))
    assert session.post(url, {"confirm": "1"}).status_code == 403
    assert session.get(url).status_code == 403
    assert Scan.objects.get().reading == {"table": SEEN.as_stored()}


def test_a_scan_that_is_no_table_has_no_columns(upload, technician, signed_in):
    scan = upload()
    answer = signed_in(technician).get(reverse("inspection:columns", args=["TPW", scan.code]))
    assert answer.url == scan.get_absolute_url()


def test_other_methods_are_refused(piece, technician, signed_in):
    session = signed_in(technician)
    assert session.put(reverse("inspection:upload", args=["TPW", piece.serial])).status_code == 405
    assert session.put(reverse("inspection:columns", args=["TPW", "S-01"])).status_code == 405


# ---- pressed twice ---------------------------------------------------------------------------------------------------


def test_the_second_press_neither_stores_nor_reads_the_file_again(page, scan_ply, monkeypatch):
    once = str(uuid.uuid4())
    first = page(scan_ply, "scan.ply", once=once)
    kept = StoredFile.objects.count()
    monkeypatch.setattr("inspection.upload.keep_scan_file", None)
    assert page(scan_ply, "scan.ply", once=once).url == first.url
    assert (StoredFile.objects.count(), Scan.objects.count()) == (kept, 1)


# ---- running again ---------------------------------------------------------------------------------------------------


def failed(piece, arm, technician, **given):
    return make_scan(piece, arm, technician, "S-07", state="failed", unit="m", **given)


def test_the_unit_in_which_the_sizes_fit_holds_against_the_files_own(piece, block, arm, technician):
    scan = failed(piece, arm, technician, error_code="size-mismatch", likely_unit="mm")
    services.run_again(scan, unit="mm", by=technician)
    assert how_to_read(scan)["overrule"]


def test_another_unit_does_not_hold_against_the_files_own_unless_one_insists(piece, block, arm, technician):
    scan = failed(piece, arm, technician, error_code="unit-contradiction", likely_unit="m")
    services.run_again(scan, unit="in", by=technician)
    assert not how_to_read(scan)["overrule"]
    Scan.objects.update(state="failed")
    services.run_again(scan, unit="in", insist=True, by=technician)
    assert how_to_read(scan)["overrule"]


def test_steps_of_the_coordinates_count_in_the_uncertainty(piece, arm, technician):
    scan = failed(piece, arm, technician)
    scan.instrument.refresh_from_db()
    # An even spread over a step has the standard deviation step / √12: U = 2·step/√12 beside the scanner's 0.12.
    assert _uncertainty(scan, 0.0) == pytest.approx(0.12)
    assert _uncertainty(scan, 0.5) == pytest.approx(np.hypot(0.12, 0.5 / np.sqrt(3)))


def test_a_file_with_another_unit_is_no_refusal_of_its_own_kind(e57):
    with pytest.raises(Refusal):
        check_stated_unit(keep_scan_file(e57, "a.e57"), "a.e57", "in")
