"""The nominal mesh and the drawing: what is kept, what is refused, what is said about them."""

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from logbook.models import Entry, StoredFile
from parts import services
from parts.errors import Unusable
from parts.models import Geometry
from parts.services import geometry as room
from tests import make
from tests.parts.mesh_files import PDF, cube_obj

pytestmark = pytest.mark.django_db


@pytest.fixture
def revision(lead):
    return make.revision(author=lead)


def filed(revision, content=None, name="block.obj", unit="mm", role="nominal"):
    content = cube_obj() if content is None else content
    return services.set_geometry(
        revision, role=role, file=content, original_name=name, unit=unit, by=revision.author, at=make.NOON
    )


def test_a_nominal_is_kept_with_its_facts_and_picture(revision):
    geometry = filed(revision, cube_obj(2), unit="in")
    # Closed form: a cube of 2 inches is 50.8 mm wide and holds 50.8³ mm³.
    assert geometry.facts["size"] == pytest.approx([50.8] * 3)
    assert geometry.facts["volume"] == pytest.approx(131_096.512)
    assert geometry.facts["watertight"] is True
    assert geometry.facts["triangles"] == 12
    assert geometry.facts["warnings"] == []
    with geometry.picture.open() as picture:
        assert picture.read(8) == b"\x89PNG\r\n\x1a\n"
    entry = Entry.objects.get()
    assert entry.sentence == "Nominal mesh block.obj put on file for SB-02 A."
    assert entry.details["sha256"] == geometry.file.sha256


def test_a_new_nominal_takes_the_place_of_the_one_before_which_stays_on_record(revision):
    first, second = filed(revision), filed(revision, cube_obj(101))
    first.refresh_from_db()
    assert (first.current, second.current) == (False, True)
    assert "in place of the one before" in Entry.objects.first().sentence


def test_a_drawing_and_a_nominal_stand_beside_each_other(revision):
    filed(revision)
    filed(revision, PDF, "SB-02.pdf", "", "drawing")
    assert Geometry.objects.filter(current=True).count() == 2


def test_a_mesh_with_a_hole_is_taken_with_a_warning(revision):
    geometry = filed(revision, cube_obj(without=1))
    assert geometry.facts["volume"] is None
    assert "not watertight, so its volume is not known" in geometry.facts["warnings"][0]


@pytest.mark.parametrize(("unit", "seen"), [("mm", "0.60\u00a0mm"), ("m", None)])
def test_a_size_no_part_has_is_pointed_out(revision, unit, seen):
    warnings = filed(revision, cube_obj(0.6), unit=unit).facts["warnings"]
    assert (seen in warnings[0]) if seen else warnings == []


def test_what_was_changed_on_reading_is_noted(revision):
    inside_out = cube_obj().replace(b"f 1 2 4 3", b"f 1 2 4 3\nf 1 1 1")
    assert filed(revision, inside_out).facts["notes"]


BAD_MESHES = {
    "empty": b"",
    "garbage": bytes(range(256)) * 50,
    "a PDF": PDF,
    "points only": b"v 0 0 0\nv 1 0 0\nv 0 1 0\n",
    "not a number": cube_obj().replace(b"v 0 0 0", b"v nan 0 0"),
    "a face to nowhere": cube_obj() + b"f 1 2 99\n",
    "cut short": b"solid x\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\n",
}


@pytest.mark.parametrize("case", BAD_MESHES)
def test_a_mesh_that_cannot_be_read_is_refused_beside_the_file(revision, case):
    filed(revision)
    with pytest.raises(Unusable) as refusal:
        filed(revision, BAD_MESHES[case], "block.stl")
    assert refusal.value.field == "file"
    assert revision.geometry.get().current
    assert Entry.objects.count() == 1


def test_a_mesh_without_a_unit_is_refused(revision):
    with pytest.raises(Unusable, match="Say in which unit") as refusal:
        filed(revision, unit="")
    assert refusal.value.field == "unit"
    assert not StoredFile.objects.exists()


@pytest.mark.parametrize(
    ("content", "sentence"),
    [(b"\xff\xd8\xff\xe0 picture", "is not a PDF"), (b"", "is not a PDF"), (PDF[:40], "cut short")],
)
def test_a_drawing_that_is_no_whole_pdf_is_refused(revision, content, sentence):
    with pytest.raises(Unusable, match=sentence) as refusal:
        filed(revision, content, "SB-02.pdf", "", "drawing")
    assert refusal.value.field == "file"
    assert not revision.geometry.exists()


def test_a_file_too_large_is_refused_before_it_is_kept(revision, monkeypatch):
    monkeypatch.setitem(room.LARGEST, Geometry.Role.DRAWING, 10)
    with pytest.raises(Unusable, match="is the most"):
        filed(revision, SimpleUploadedFile("big.pdf", PDF), "big.pdf", "", "drawing")
    assert not StoredFile.objects.exists()


def test_only_the_last_part_of_a_path_is_kept_as_the_name(revision):
    assert filed(revision, name="../../etc/block.obj").original_name == "block.obj"
    assert filed(revision, name="C:\\parts\\block.obj").original_name == "block.obj"
