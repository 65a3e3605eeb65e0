"""The correction on casts whose deviation is known in closed form."""

from dataclasses import replace

import numpy as np
import pytest
import trimesh

from metrology.bodies import Mesh
from metrology.errors import InputError
from metrology.moulds import correction_words as words
from metrology.moulds.casts_compared import compare_casts
from metrology.moulds.correction import Asked, correct, fill_faces
from metrology.moulds.pattern import nominal_pattern, offset_at
from metrology.surfaces.mesh_facts import mesh_facts
from metrology.surfaces.surface import prepare, sample
from tests.metrology.bodies_for_tests import box, corner_block, from_trimesh
from tests.metrology.casts_for_tests import cast_of, compared_of, growth

UP = np.array([0.0, 0.0, 1.0])
ASKED = Asked(smoothing_mm=40.0, cap_mm=5.0, kind="two-part")


@pytest.fixture(scope="module")
def block():
    return prepare(corner_block())


@pytest.fixture(scope="module")
def slab():
    """An open-face block with the wide side up; its walls lean out by 10 mm over 60 mm."""
    signs = np.array([(-1, -1), (-1, 1), (1, -1), (1, 1)])
    corners = [np.column_stack([signs * half, np.full(4, z)]) for half, z in (([90, 50], 0.0), ([100, 60], 60.0))]
    return prepare(from_trimesh(trimesh.convex.convex_hull(np.concatenate(corners))))


def corrected(surface, fields, asked=ASKED, before=None, filled=None, **more):
    compared = compared_of(surface, fields, filled=filled)
    return correct(surface, compared, before or nominal_pattern(surface), asked, **more), compared


def bump(points, normals):
    """The high top stands up to 1 mm proud round its middle."""
    return np.where(
        points[:, 2] > 149.9, np.exp(-0.5 * (np.linalg.norm(points[:, :2] - [80, 60], axis=1) / 60) ** 2), 0.0
    )


def test_a_part_that_shrank_evenly_gets_a_pattern_that_much_larger(block):
    found, _ = corrected(block, [growth(-0.005, -0.004, -0.003)] * 3)
    assert found.factors == pytest.approx([1 / 0.995, 1 / 0.996, 1 / 0.997], abs=1e-9)
    size = np.ptp(found.pattern.moved, axis=0)
    assert size == pytest.approx(np.array([300, 200, 150]) / [0.995, 0.996, 0.997], abs=0.01)
    assert found.foretold.rms < 0.01 * found.before.rms


def test_a_local_error_is_taken_out_where_it_is(block):
    found, compared = corrected(block, [bump] * 3, replace(ASKED, smoothing_mm=28.0))
    assert found.foretold.rms < 0.2 * found.before.rms
    worst = np.argmax(compared.mean)
    assert found.seen[worst] == pytest.approx(-found.mean[worst], abs=0.2)


def test_the_surface_moves_against_the_deviation_and_not_with_it(block):
    """Positive deviation is material outside nominal: the pattern must become smaller there."""
    found, _ = corrected(block, [bump] * 3, replace(ASKED, by_scale=False))
    top = np.argmin(np.linalg.norm(found.pattern.nominal - [75.0, 50.0, 150.0], axis=1))
    assert found.pattern.moved[top, 2] - 150.0 < -0.4


def test_no_place_moves_farther_in_one_step_than_the_cap(block):
    found, _ = corrected(block, [bump] * 3, replace(ASKED, cap_mm=0.3, by_scale=False))
    assert np.abs(found.local).max() <= 0.3 + 1e-6 and found.capped > 0.02
    assert any("0.30\u00a0mm a step holds it back" in line for line in words.limits_sentences(found))


def test_damping_takes_out_its_share(block):
    whole, _ = corrected(block, [bump] * 3, replace(ASKED, by_scale=False))
    half, _ = corrected(block, [bump] * 3, replace(ASKED, by_scale=False, damping=0.5))
    assert half.step == pytest.approx(0.5 * whole.step, abs=1e-3)


def test_the_second_step_starts_from_the_first_pattern(block):
    first, _ = corrected(block, [growth(-0.005, -0.005, -0.005)] * 3)
    second, compared = corrected(block, [lambda p, n: 0.0 * p[:, 0]] * 3, before=first.pattern)
    assert second.factors == pytest.approx(1.0)
    assert np.abs(second.step).max() < 1e-6
    assert second.shrinkage[0].value == pytest.approx(1 - 1 / first.factors[0], abs=1e-6)
    outward = offset_at(second.pattern, compared.places.points, compared.places.normals)
    assert outward == pytest.approx(offset_at(first.pattern, compared.places.points, compared.places.normals), abs=1e-6)


def test_scatter_alone_is_not_corrected_and_the_sentence_says_so(block):
    fields = [lambda p, n, k=k: 0.3 * k * np.sin(p[:, 0] / 40.0) for k in (-1, 0.1, 1, -0.2)]
    found, _ = corrected(block, fields)
    assert found.taken < 0.3 and found.foretold.rms < 0.2
    assert not words.worth_it(found)
    assert words.foretold_sentence(found, 0.95).startswith("Not worth a new mould: 4\u00a0casts show")


def test_unmeasured_surface_is_left_as_it_was(block):
    casts = [cast_of(block, 0.8, f"C{k}", k, hidden=lambda p, n: p[:, 0] > 200) for k in (1, 2, 3)]
    found = correct(block, compare_casts(block, casts), nominal_pattern(block), replace(ASKED, by_scale=False))
    far = found.pattern.nominal[:, 0] > 280
    near = found.pattern.nominal[:, 0] < 130
    moved = np.ascontiguousarray(found.pattern.moved[far])
    assert block.closest(moved)[0] == pytest.approx(0.0, abs=2e-3)
    assert np.linalg.norm(found.pattern.moved[near] - found.pattern.nominal[near], axis=1).max() > 0.3
    assert found.left == pytest.approx(1 / 3, abs=0.12)


def test_sharp_edges_stay_sharp_and_the_surface_closed(block):
    found, _ = corrected(block, [growth(-0.004, -0.006, -0.002)] * 3, replace(ASKED, by_scale=False))
    facts, before = mesh_facts(found.pattern.mesh), mesh_facts(Mesh(block.vertices, block.faces))
    assert facts.watertight and facts.shells == before.shells
    assert found.checks.closed and not found.checks.turned and not found.checks.crossing
    # A mitred corner: each of its three faces went its own way, so the corner goes all three.
    corner = np.argmin(np.linalg.norm(found.pattern.nominal - [0.0, 200.0, 150.0], axis=1))
    motion = found.pattern.moved[corner] - found.pattern.nominal[corner]
    assert motion[0] < -0.3 and motion[1] > 0.3 and motion[2] > 0.05


def test_the_fill_face_of_an_open_face_mould_is_left_out(slab):
    filled = fill_faces(slab, UP, "open-face")
    fields = [lambda p, n: np.where(n[:, 2] > 0.9, 2.0, growth(-0.005, -0.005, 0)(p, n))] * 3
    found, _ = corrected(slab, fields, replace(ASKED, kind="open-face", smoothing_mm=30.0), filled=filled)
    rim = np.abs(found.pattern.nominal[:, 2] - 60.0) < 1e-9
    assert found.pattern.moved[rim, 2] == pytest.approx(60.0, abs=1e-9)
    assert found.fill.error == pytest.approx(2.0, abs=0.15)
    assert "proud of nominal" in words.fill_sentence(found)
    assert not found.used[filled[corner_faces(slab, found)]].any()


def corner_faces(surface, found):
    """Faces of the places compared."""
    return sample(surface, len(found.used)).faces


def test_no_fill_face_along_the_pull_is_refused():
    surface = prepare(from_trimesh(trimesh.creation.icosphere(3, radius=50.0)))
    with pytest.raises(InputError) as refused:
        fill_faces(surface, UP, "open-face")
    assert refused.value.code == "fill-face"


def test_a_corrected_upright_wall_gets_no_undercut_and_the_rest_is_told():
    """An upright wall that came out hollow half way up: filling the hollow in the mould would hold the part."""
    surface = prepare(box(200.0, 120.0, 80.0))
    filled = fill_faces(surface, UP, "open-face")

    def hollow(points, normals):
        return -1.5 * (np.abs(normals[:, 0]) > 0.9) * np.cos(np.pi * points[:, 2] / 80.0)

    asked = Asked(18.0, 5.0, kind="open-face", by_scale=False)
    found, _ = corrected(surface, [hollow] * 3, asked, filled=filled)
    assert found.checks.undercut <= found.checks.undercut_before + 1.0
    assert found.limited > 0.05 and found.limited_mm > 0.3
    assert found.foretold.rms > 0.2 * found.before.rms
    assert any("no new undercut" in line for line in words.limits_sentences(found))
    assert "find no new undercut" in words.checks_sentence(found)


def test_one_cast_is_corrected_and_says_that_it_is_not_sure(block):
    found, _ = corrected(block, [growth(-0.005, -0.005, -0.005)], scanner_mm=0.1)
    assert found.factors == pytest.approx(1 / 0.995, abs=1e-6)
    assert np.isnan(found.foretold.low)
    assert words.uncertainty_sentence(found).startswith("One cast does not say how casts scatter")


def test_a_growth_within_the_scanners_doubt_is_not_scaled(block):
    found, _ = corrected(block, [growth(-0.0005)], scanner_mm=0.1)
    assert found.factors == pytest.approx(1.0)


def test_the_same_casts_give_the_same_pattern_to_the_last_digit(block):
    one, other = (corrected(block, [bump, growth(-0.003), growth(0.001, 0.002)])[0] for _ in range(2))
    assert np.array_equal(one.pattern.moved, other.pattern.moved) and one.foretold == other.foretold


def test_moving_nominal_and_casts_together_moves_the_pattern(block):
    shift = np.array([900.0, -350.0, 42.0])
    moved = prepare(Mesh(block.vertices + shift, block.faces))
    one, _ = corrected(block, [bump] * 3)
    other, _ = corrected(moved, [lambda p, n: bump(p - shift, n)] * 3)
    assert other.pattern.moved - shift == pytest.approx(one.pattern.moved, abs=1e-6)


@pytest.mark.parametrize(
    ("asked", "code"),
    [
        (replace(ASKED, smoothing_mm=5.0), "smoothing"),
        (replace(ASKED, smoothing_mm=5000.0), "smoothing"),
        (replace(ASKED, cap_mm=0.0), "cap"),
        (replace(ASKED, cap_mm=300.0), "cap"),
        (replace(ASKED, damping=0.0), "damping"),
        (replace(ASKED, damping=1.5), "damping"),
        (replace(ASKED, pull=(0.0, 0.0, 0.0)), "pull"),
    ],
)
def test_settings_out_of_range_are_refused(block, asked, code):
    with pytest.raises(InputError) as refused:
        corrected(block, [bump] * 3, asked)
    assert refused.value.code == code


def test_nothing_measured_is_refused(block):
    with pytest.raises(InputError) as refused:
        corrected(block, [np.nan] * 3)
    assert refused.value.code == "nothing-measured"


def test_a_nominal_too_far_from_its_origin_is_refused(block):
    """A single-precision STL at 4,000 km would hold a quarter of a millimetre."""
    far = prepare(Mesh(block.vertices + [4e6, 0.0, 0.0], block.faces))
    with pytest.raises(InputError) as refused:
        corrected(far, [0.5] * 3)
    assert refused.value.code == "far-away"
