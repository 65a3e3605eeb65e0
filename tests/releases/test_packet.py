"""The packet of a release: everything that was signed stands in it; it is made once; a fault is said, not hidden."""

from datetime import timedelta
from io import BytesIO

import pytest
from django.urls import reverse
from PIL import Image
from pypdf import PdfReader

from inspection.models import ScanPicture
from logbook.files import keep
from logbook.models import Entry
from releases import jobs, services
from releases.errors import NotNow
from releases.gate import CHECKS
from releases.models import Packet
from releases.packet import draw, gather
from releases.packet.paper import DISCLAIMER, WARNING
from tests import make
from tests.inspection.rows import make_result, make_scan

pytestmark = pytest.mark.django_db

LATER = make.NOON + timedelta(hours=1)


@pytest.fixture
def tiny_png():
    target = BytesIO()
    Image.new("RGB", (4, 4), "white").save(target, "PNG")
    return target.getvalue()


@pytest.fixture
def release(put_forward, second_lead, technician, lead):
    """A signed revision with a measured, scanned cast, a trial with a gap, a lesson and a concession."""
    block = put_forward
    length, calliper = make.characteristic(block), make.instrument()
    piece = make.cast(block, technician)
    make.measurement(piece, length, "600.25", technician, calliper)
    make.geometry(block, lead)
    make_result(make_scan(piece, make.instrument("A-01", kind="arm"), technician), sentence="Conforms: +0.40 mm.")
    seat = make.interface(block.component, make.component("PC-01"))
    trial = make.trial(make.mockup(scale=10), technician, conditions="Dry, 18 °C.", went_wrong="Shim missing.")
    trial.pieces.create(revision=block, cast=piece)
    trial.fit_checks.create(
        interface=seat, where="pier 1", gap="0.35", uncertainty="0.05", lower="0.1", upper="0.4", result="conforms",
        measured_by=technician, measured_at=make.NOON,
    )  # fmt: skip
    make.lesson(block.component, technician, action="Seal the seam.")
    services.grant_concession(
        revision=block, check_code="scan", reason="Seen by eye.", asked_by=technician, by=second_lead,
        expires_on=LATER.date(), serials=[piece], at=make.NOON,
    )  # fmt: skip
    return services.sign_off(revision=block, by=second_lead, address="https://yard.example/", at=LATER)


def words(pdf):
    """The text of each page; lines that the sheet broke are joined again."""
    return [" ".join(page.extract_text().split()) for page in PdfReader(BytesIO(pdf)).pages]


def test_everything_that_was_signed_stands_in_the_packet(release):
    text = " ".join(words(draw(gather(release, "https://yard.example"))))
    for wanted in ("SB-02", "Saddle block", "C40 mortar", "Kit Marsden", "Ines Halvorsen", "Wet cement burns: gloves."):
        assert wanted in text
    for check in release.check_results.all():
        assert check.title in text
        assert check.evidence_hash in text
    assert release.check_results.count() == len(CHECKS)
    for row in release.revision.geometry.all():
        assert row.file.sha256 in text
    assert release.evidence_hash in text


def test_measurements_scans_trials_lessons_and_concessions_stand_in_the_packet(release):
    text = " ".join(words(draw(gather(release))))
    for wanted in (
        "TP-SB-0001", "600.25 mm ± 0.05 mm", "G-01", "Scan S-01 of TP-SB-0001", "Conforms: +0.40 mm.",
        "Trial T-01", "1 : 10", "0.35 mm", "0.10 to 0.40 mm", "Shim missing.", "Seal the seam.", "not proven",
        "CN-01 for scan", "Granted by Kit Marsden.",
    ):  # fmt: skip
        assert wanted in text, wanted


def test_every_page_has_its_head_and_its_foot(release):
    pages = words(draw(gather(release)))
    assert len(pages) >= 2
    for number, page in enumerate(pages, 1):
        assert "SB-02 A Saddle block" in page
        assert "Tern Point walkway. Invented for demonstration." in page
        assert WARNING in page
        assert DISCLAIMER in page
        assert f"page {number}, evidence {release.evidence_hash[:12]}" in page


def test_the_same_release_gives_the_same_bytes(release):
    assert draw(gather(release)) == draw(gather(release))


def test_what_happened_after_the_signature_is_not_in_the_packet(release, technician):
    make.lesson(release.component, technician, "L-02", title="Written later", written_at=LATER + timedelta(days=1))
    late = make.cast(release.revision, technician, "TP-SB-0099")
    make.measurement(
        late, release.revision.characteristics.get(), 600, technician, make.instrument("G-02"),
        measured_at=LATER + timedelta(days=1),
    )  # fmt: skip
    text = " ".join(words(draw(gather(release))))
    assert "Written later" not in text
    assert "TP-SB-0099" not in text


def test_the_pictorial_view_of_a_scan_is_on_paper_and_the_flat_sides_are_not(release, tiny_png):
    result = release.revision.casts.get().scans.get().result
    for view in ("pictorial", "left"):
        ScanPicture.objects.create(result=result, view=view, file=keep(tiny_png, "image/png"))
    assert [view for view, _ in gather(release).scans[0].pictures] == ["pictorial"]
    assert draw(gather(release)).startswith(b"%PDF")


def test_text_with_markup_in_it_is_drawn_as_it_was_typed(release):
    release.revision.cautions = "Gap < 3 mm & <b>open"
    assert "Gap < 3 mm & <b>open" in " ".join(words(draw(gather(release))))


def test_signing_has_the_packet_made(release, django_capture_on_commit_callbacks, lead, second_lead):
    later = make.revision(release.component, "B", author=lead, cautions="Gloves.")
    services.put_forward(revision=later, by=lead, at=LATER)
    with django_capture_on_commit_callbacks(execute=True):
        signed = services.sign_off(revision=later, by=second_lead, at=LATER)
    packet = Packet.objects.get(release=signed)
    assert packet.file.open().read().startswith(b"%PDF")
    assert packet.error == ""


def test_a_packet_is_made_once(release):
    for _ in range(2):
        jobs.make_packet.call(release.packet.pk)
    assert Entry.objects.filter(act="packet.made").count() == 1
    first = Packet.objects.get(release=release)
    assert first.made_at is not None
    assert Entry.objects.get(act="packet.made").details == {"sha256": first.file.sha256}


def test_a_packet_that_cannot_be_drawn_says_so_and_is_made_at_the_next_call(
    release, monkeypatch, second_lead, signed_in
):
    def broken(content):
        raise RuntimeError("no font")

    with monkeypatch.context() as patch:
        patch.setattr(jobs, "draw", broken)
        jobs.make_packet.call(release.packet.pk)
    packet = Packet.objects.get(release=release)
    assert (packet.file, packet.error) == (None, "The packet could not be drawn. Ask for it again.")
    sheet = signed_in(second_lead).get(release.revision.get_absolute_url()).content.decode()
    assert packet.error in sheet
    jobs.make_packet.call(release.packet.pk)
    packet.refresh_from_db()
    assert packet.file is not None
    assert packet.error == ""


def test_the_packet_is_opened_by_who_may_see_the_revision(release, visitor, stranger, client, signed_in):
    url = reverse("releases:packet", args=["TPW", "SB-02", "A"])
    assert signed_in(visitor).get(url).status_code == 404  # not made yet
    jobs.make_packet.call(release.packet.pk)
    answer = signed_in(visitor).get(url, follow=True)
    assert answer.headers["Content-Type"] == "application/pdf"
    assert b"".join(answer.streaming_content if answer.streaming else [answer.content]).startswith(b"%PDF")
    assert signed_in(stranger).get(url).status_code == 403
    assert client.get(url).status_code == 302
    assert signed_in(visitor).post(url).status_code == 405


def test_a_packet_that_failed_can_be_asked_for_again_by_a_lead(
    release, signed_in, second_lead, technician, monkeypatch
):
    with monkeypatch.context() as patch:
        patch.setattr(jobs, "draw", lambda content: 1 / 0)
        jobs.make_packet.call(release.packet.pk)
    address = reverse("releases:packet-again", args=release.revision.url_args())
    assert signed_in(technician).post(address).status_code == 403
    assert signed_in(second_lead).get(address).status_code == 405
    page = signed_in(second_lead).get(release.revision.get_absolute_url()).content.decode()
    assert "Make the packet again" in page
    services.ask_packet_again(packet=release.packet, by=second_lead)
    assert Packet.objects.get(pk=release.packet.pk).error == ""


def test_a_packet_on_file_is_not_made_again(release, second_lead):
    jobs.make_packet.call(release.packet.pk)
    with pytest.raises(NotNow, match="on file already"):
        services.ask_packet_again(packet=release.packet, by=second_lead)


@pytest.mark.parametrize(("minutes", "said"), [(9, False), (11, True)])
def test_a_packet_whose_job_never_ended_is_not_said_to_be_on_its_way_for_ever(release, minutes, said):
    asked = Packet(release=release, asked_at=LATER)
    assert bool(asked.what_failed(LATER + timedelta(minutes=minutes))) is said
