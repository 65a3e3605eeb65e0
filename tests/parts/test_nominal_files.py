"""Nominals from models: what is made of them, their unit against the stated one, and several solids. All invented."""

import uuid

import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from fixtures.formats import write_3mf
from fixtures.step import FlatSided, RoundBar, write_step
from logbook.models import StoredFile
from metrology.bodies import Mesh
from metrology.errors import MetrologyError
from metrology.reading import read_mesh_file
from parts import services
from parts.errors import Frozen, OtherUnit, Unusable
from parts.models import Geometry
from parts.services.geometry import chord_for, chord_has_become_coarse, nominal_mesh
from tests import make
from tests.metrology.files_by_hand import BOX, BOX_FACES, BOX_QUADS

pytestmark = pytest.mark.django_db
SHEET = ["TPW", "SB-02", "A"]
BLOCK = FlatSided(BOX * 100, BOX_QUADS)


@pytest.fixture
def revision(lead):
    return make.revision(author=lead)


@pytest.fixture
def model(tmp_path):
    def written(*solids, unit="mm"):
        write_step(solids or (BLOCK,), tmp_path / "block.step", unit)
        return (tmp_path / "block.step").read_bytes()

    return written


def profile(revision, half=1.0):
    return make.characteristic(
        revision, 9, name="All surfaces", kind="profile", method="scan", nominal=0, lower=-half, upper=half, unit="mm"
    )


def filed(revision, content, **given):
    usual = {"role": "nominal", "original_name": "block.step", "unit": "mm", "by": revision.author}
    return services.set_geometry(revision, file=content, **usual | given)


def test_a_step_model_is_kept_with_the_triangles_made_from_it(revision, model):
    geometry = filed(revision, model())
    assert geometry.facts["volume"] == pytest.approx(24e6, rel=1e-6)
    assert (geometry.facts["kind"], geometry.facts["own_unit"], geometry.facts["bodies"]) == ("step", "mm", 1)
    assert geometry.mesh is not None
    assert geometry.file.media_type == "model/step"


def test_the_triangles_of_a_model_are_the_same_whenever_they_are_wanted(revision, model, tmp_path):
    geometry = filed(revision, model(RoundBar(50, 200)))
    again = nominal_mesh(geometry)
    made = read_mesh_file(tmp_path / "block.step", unit="mm").mesh
    assert np.array_equal(again.vertices, made.vertices)
    assert np.array_equal(again.faces, made.faces)


@pytest.mark.parametrize(("half", "chord"), [(1.0, 0.1), (0.02, 0.01), (40, 0.5)])
def test_the_chord_is_a_tenth_of_what_the_profile_allows_within_bounds(revision, half, chord):
    assert chord_for(profile(revision, half)) == pytest.approx(chord)
    assert chord_for(None) is None


def test_the_chord_is_stored_shown_and_found_coarse_when_the_limits_become_narrow(revision, model, lead, signed_in):
    limits = profile(revision)
    geometry = filed(revision, model(RoundBar(50, 200)))
    assert geometry.facts["chord_mm"] == pytest.approx(0.1)
    assert not chord_has_become_coarse(revision, geometry)
    limits.lower, limits.upper = -0.3, 0.3
    limits.save()
    assert chord_has_become_coarse(revision, geometry)
    page = signed_in(lead).get(reverse("parts:definition", args=SHEET)).content.decode()
    assert "0.100\u00a0mm, from the limits of the profile" in page
    assert "file it again, so that they are made finer" in page


def test_another_unit_than_the_files_is_refused_with_both_sizes_and_may_be_insisted_on(revision, model):
    with pytest.raises(OtherUnit, match="10,160 × 7,620 × 5,080") as refusal:
        filed(revision, model(unit="in"))
    assert (refusal.value.field, refusal.value.likely_unit) == ("unit", "in")
    geometry = filed(revision, model(unit="in"), overrule=True)
    assert geometry.facts["size"] == pytest.approx([400, 300, 200], rel=1e-6)
    assert "says that it is in inches, and was read in millimetres" in geometry.facts["warnings"][0]


def test_several_solids_are_refused_until_somebody_says_that_they_are_one(revision, model):
    content = model(BLOCK, RoundBar(20, 40, (1000, 0, 0)))
    with pytest.raises(Unusable, match="2 solids") as refusal:
        filed(revision, content)
    assert refusal.value.code == "several-bodies"
    assert "2 solids, which are taken together" in filed(revision, content, together=True).facts["warnings"][0]


def test_objects_of_a_3mf_stay_where_they_were_placed(revision, tmp_path):
    write_3mf([Mesh(BOX, BOX_FACES)], tmp_path / "a.3mf", placements=[(0, np.vstack([np.eye(3), (10, 20, 30)]))])
    geometry = filed(revision, (tmp_path / "a.3mf").read_bytes(), original_name="a.3mf")
    assert nominal_mesh(geometry).vertices.min(axis=0).tolist() == [10, 20, 30]


@pytest.mark.parametrize(
    ("name", "words"),
    [("part.igs", "loose surfaces. Export the part as STEP"), ("part.sldprt", "Export the part from that program")],
)
def test_other_formats_are_refused_with_advice(revision, name, words):
    with pytest.raises(Unusable, match=words):
        filed(revision, b"\x00\x01rubbish" * 50, original_name=name)


# ---- the page --------------------------------------------------------------------------------------------------------


def send(session, content=None, name="block.step", **given):
    file = {"file": SimpleUploadedFile(name, content)} if content is not None else {}
    return session.post(reverse("parts:file_nominal", args=SHEET), {"unit": "mm"} | file | given)


def test_one_tap_takes_the_unit_of_the_file_without_sending_it_again(revision, model, lead, signed_in):
    session = signed_in(lead)
    answer = send(session, model(unit="in"))
    page = answer.content.decode()
    assert "Take inches, as the file says" in page
    assert "block.step is here already" in page
    kept = answer.context["form"].data["kept"]
    assert send(session, kept=kept, take_unit="in").status_code == 302
    assert Geometry.objects.get().unit == "in"


def test_one_tap_keeps_the_stated_unit(revision, model, lead, signed_in):
    session = signed_in(lead)
    kept = send(session, model(unit="in")).context["form"].data["kept"]
    assert send(session, kept=kept, insist="mm").status_code == 302
    assert Geometry.objects.get().unit == "mm"


def test_several_solids_are_confirmed_on_the_page(revision, model, lead, signed_in):
    session = signed_in(lead)
    answer = send(session, model(BLOCK, RoundBar(20, 40, (1000, 0, 0))))
    assert "ll of them are cast as one piece" in answer.content.decode()
    assert send(session, kept=answer.context["form"].data["kept"], together="on").status_code == 302


def test_a_broken_model_is_asked_for_again(revision, model, lead, signed_in):
    answer = send(signed_in(lead), model()[:2000])
    assert "does not end as it should" in answer.context["form"].errors["file"][0]
    assert answer.context["form"].kept_file is None


def test_pressed_twice_the_file_is_stored_and_read_once(revision, model, lead, signed_in, monkeypatch):
    session, once = signed_in(lead), str(uuid.uuid4())
    first = send(session, model(), once=once)
    before = StoredFile.objects.count()
    monkeypatch.setattr("parts.services.geometry.read_mesh_file", None)
    assert send(session, model(RoundBar(1, 2)), once=once).url == first.url
    assert StoredFile.objects.count() == before


def test_a_closed_definition_keeps_what_was_sent_out(revision, model, lead, signed_in):
    type(revision).objects.update(state="buildable")
    answer = send(signed_in(lead), model())
    assert answer.context["form"].non_field_errors()
    assert not Geometry.objects.exists()
    with pytest.raises(Frozen):
        filed(revision, model())


def test_the_page_names_every_format(revision, lead, signed_in):
    page = signed_in(lead).get(reverse("parts:file_nominal", args=SHEET)).content.decode()
    assert "STEP, 3MF, STL, PLY or OBJ" in page
    assert 'accept=".step,.stp,.3mf,.stl,.ply,.obj"' in page


def test_a_reader_that_fails_is_no_failure_of_the_page(revision, model, lead, signed_in, monkeypatch):
    def fail(*args, **given):
        raise MetrologyError("reader-ended", "The STEP model could not be read.")

    monkeypatch.setattr("parts.services.geometry.read_mesh_file", fail)
    assert "could not be read" in send(signed_in(lead), model()).context["form"].errors["file"][0]
