"""Mouldability against closed forms of simple bodies, a second ray caster, and motion of the whole."""

from math import asin, atan, degrees, hypot, pi, tan

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from metrology.bodies import Floats, Mesh
from metrology.errors import InputError
from metrology.moulds.mouldability import Asked, mouldability, undercut_by_face
from metrology.moulds.release import angle_known, draft_deg, spread_over, undercut_at, walls_at
from metrology.surfaces.surface import prepare

from .bodies_for_tests import box, corner_block, from_trimesh, lattice_surface

UP = np.array([0.0, 0.0, 1.0])


def prism(profile: list[tuple[float, float]], length: float) -> Mesh:
    """A convex profile in y and z, counter-clockwise seen from +x, drawn out along x from 0 to length."""
    n = len(profile)
    ends = [np.column_stack([np.full(n, x), np.array(profile)]) for x in (0.0, length)]
    faces = []
    for k in range(1, n - 1):
        faces += [(0, k + 1, k), (n, n + k, n + k + 1)]
    for k in range(n):
        j = (k + 1) % n
        faces += [(k, j, n + j), (k, n + j, n + k)]
    return Mesh(np.concatenate(ends), np.array(faces, dtype=np.int64))


def frustum(draft: float, low: float = 200.0, height: float = 100.0) -> Mesh:
    """A square block, `low` wide at its bottom and wider at its top by the draft angle all round, degrees."""
    mesh = box(low, low, height)
    vertices = mesh.vertices.copy()
    top = vertices[:, 2] > 0
    vertices[top, :2] *= 1 + 2 * height * tan(np.radians(draft)) / low
    return Mesh(vertices, mesh.faces)


def moved(mesh: Mesh, turn: Rotation, shift: Floats) -> Mesh:
    return Mesh(turn.apply(mesh.vertices) + shift, mesh.faces)


DOVETAIL = [(-60.0, 0.0), (60.0, 0.0), (40.0, 50.0), (-40.0, 50.0)]


def test_a_wedge_comes_out_with_its_own_draft_angle():
    found = mouldability(frustum(5.0), Asked(pull=(0, 0, 1), draft_deg=6.0))
    assert found.undercut == 0
    assert found.least_draft == pytest.approx(5.0, abs=1e-6)
    slant = 100.0 / np.cos(np.radians(5.0))
    assert found.low_draft == pytest.approx(4 * slant * (200 + 100 * tan(np.radians(5.0))), rel=1e-9)
    assert found.sentence.startswith("Comes out upwards: no undercut; least draft angle 5.0° (6.0° is wanted) on the ")


def test_a_wedge_does_not_come_out_the_other_way():
    found = mouldability(frustum(5.0), Asked(pull=(0, 0, -1)))
    assert found.undercut == pytest.approx(4 * 100.0 / np.cos(np.radians(5.0)) * (200 + 100 * tan(np.radians(5.0))))
    assert found.sentence.startswith("Held back downwards: ")


def test_the_undercut_of_a_dovetail_is_its_two_flanks():
    found = mouldability(prism(DOVETAIL, 300.0), Asked(pull=(0, 0, 1)))
    assert found.undercut == pytest.approx(2 * hypot(20.0, 50.0) * 300.0, rel=1e-9)
    assert len(found.undercuts) == 2
    assert found.undercuts[0].why == "leans over, so the mould lies on it"


def test_the_best_pull_of_a_dovetail_is_found():
    found = mouldability(prism(DOVETAIL, 300.0), Asked(draft_deg=0))
    assert found.found and found.undercut == 0
    np.testing.assert_allclose(found.pull, (0, 0, -1), atol=1e-9)
    assert found.least_draft == 0.0  # the two ends of the prism stand upright
    assert found.tried[0].undercut == 0


def test_a_groove_in_a_side_is_undercut_on_all_its_faces():
    filled = np.ones((8, 6, 9), dtype=bool)
    filled[:, 4:, 3:6] = False  # 200 long, 50 deep, 75 high
    found = mouldability(lattice_surface(filled, 25.0), Asked(pull=(0, 0, 1)))
    floor, roof, back = 200 * 50, 200 * 50, 200 * 75
    assert found.undercut == pytest.approx(floor + roof + back, rel=2e-3)
    assert len(found.undercuts) == 1
    two = mouldability(lattice_surface(filled, 25.0), Asked(kind="two-part", pull=(0, 0, 1)))
    assert two.undercut == pytest.approx(floor + roof + back, rel=2e-3)
    sideways = mouldability(lattice_surface(filled, 25.0), Asked(kind="two-part", pull=(0, 1, 0)))
    assert sideways.undercut == 0


def test_material_that_covers_half_a_face_shadows_that_half():
    filled = np.zeros((4, 8, 4), dtype=bool)
    filled[:, :, 3] = True  # a plate 100 × 200 with a foot below its end, and below the foot a toe 50 long
    filled[:, :2, :] = True
    filled[:, 2:4, 0] = True
    found = mouldability(lattice_surface(filled, 25.0), Asked(pull=(0, 0, 1)))
    above_toe, toe, foot = 50 * 100, 50 * 100, 50 * 100
    assert found.undercut == pytest.approx(above_toe + toe + foot, rel=5e-3)


def test_half_a_sphere_leans_over():
    sphere = prepare(from_trimesh(trimesh.creation.icosphere(subdivisions=5, radius=100.0)))
    assert undercut_by_face(sphere, UP).sum() == pytest.approx(2 * pi * 100.0**2, rel=0.01)
    assert undercut_by_face(sphere, UP, "two-part").sum() == 0


def test_an_upright_cylinder_has_no_draft_and_no_undercut():
    found = mouldability(from_trimesh(trimesh.creation.cylinder(80.0, 200.0, sections=64)), Asked(pull=(0, 0, 1)))
    assert (found.undercut, found.least_draft) == (0, 0)
    assert "least draft angle 0.0° (2.0° is wanted)" in found.sentence


def test_the_wall_of_a_pan_and_of_a_hollow_sphere():
    pan = np.ones((10, 10, 4), dtype=bool)
    pan[1:-1, 1:-1, 1:] = False
    found = mouldability(lattice_surface(pan, 18.0), Asked(kind="two-part", pull=(0, 0, 1), wall_mm=20.0))
    assert found.wall == pytest.approx(18.0, rel=1e-9)
    assert found.thin is not None and found.thin > 0
    assert "thinnest wall 18\u00a0mm" in found.sentence and "(20\u00a0mm is wanted)" in found.sentence
    outer = trimesh.creation.icosphere(subdivisions=4, radius=100.0)
    inner = trimesh.creation.icosphere(subdivisions=4, radius=88.0)
    inner.invert()
    surface = prepare(from_trimesh(trimesh.util.concatenate([outer, inner])))
    spread = spread_over(surface, 5_000)
    walls = walls_at(surface, spread.points, spread.faces)
    assert np.nanmedian(walls) == pytest.approx(12.0, abs=0.06)


def test_a_wedge_has_no_wall_where_its_sides_do_not_face_each_other():
    surface = prepare(prism([(0.0, 0.0), (100.0, 0.0), (0.0, 100.0)], 50.0))
    spread = spread_over(surface, 5_000)
    slope = np.abs(surface.normals[spread.faces] @ (0, 1, 1)) > 1.4
    assert np.isnan(walls_at(surface, spread.points, spread.faces)[slope]).all()


def test_volume_in_litres():
    assert mouldability(box(300.0, 200.0, 100.0), Asked()).litres == pytest.approx(6.0)


@pytest.mark.parametrize("kind", ["open-face", "two-part"])
def test_rays_agree_with_a_second_ray_caster(kind):
    """Second route: trimesh's ray caster over an R-tree, COMPUTED with trimesh in this test."""
    mesh = corner_block()
    surface = prepare(mesh)
    spread = spread_over(surface, 300)
    pull = np.array([0.6, 0.3, 0.74])
    pull /= np.linalg.norm(pull)
    held = undercut_at(surface, spread.points, spread.faces, pull, kind)
    body = trimesh.Trimesh(surface.vertices, surface.faces, process=False)
    normals = surface.normals[spread.faces]
    start = spread.points + 0.02 * normals

    def meets(way: Floats) -> np.ndarray:
        return body.ray.intersects_any(start, np.broadcast_to(way, start.shape))

    lean = normals @ pull
    expected = (lean > 0) | meets(-pull) if kind == "open-face" else np.where(lean > 0, meets(pull), meets(-pull))
    assert (held == expected).mean() > 0.995  # rays through an edge may fall either way
    assert 0.05 < held.mean() < 0.95


@pytest.mark.parametrize("kind", ["open-face", "two-part"])
def test_nothing_changes_when_part_and_pull_move_together(kind):
    turn, shift = Rotation.from_euler("xyz", (31.0, -52.0, 103.0), degrees=True), np.array([4e3, -7e3, 2e3])
    asked = Asked(kind=kind, pull=(0.1, 0.05, 1.0), fill_at=(60.0, 100.0, 150.0) if kind == "open-face" else None)
    here = mouldability(corner_block(), asked)
    there = mouldability(
        moved(corner_block(), turn, shift),
        Asked(
            kind=kind,
            pull=tuple(turn.apply(asked.pull)),
            fill_at=tuple(turn.apply(asked.fill_at) + shift) if asked.fill_at else None,
        ),
    )
    assert there.undercut == pytest.approx(here.undercut, rel=1e-3)
    assert there.least_draft == pytest.approx(here.least_draft, abs=1e-6)
    assert there.wall == pytest.approx(here.wall, rel=1e-6)


def test_the_same_nominal_gives_the_same_answer_to_the_last_digit():
    first, second = (mouldability(corner_block(), Asked()) for _ in range(2))
    assert first.sentence == second.sentence and first.undercut == second.undercut
    assert first.tried == second.tried


def test_a_step_under_the_mould_lies_flat_and_a_covered_high_part_keeps_air():
    from_the_top = mouldability(corner_block(), Asked(pull=(0, 0, 1), fill_at=(60.0, 60.0, 150.0)))
    low_step = 125 * 200 + 50 * 75  # with the floor of the notch
    assert from_the_top.filling.flat == pytest.approx(low_step)
    assert from_the_top.filling.traps == ()
    from_the_step = mouldability(corner_block(), Asked(pull=(0, 0, 1), fill_at=(250.0, 100.0, 75.0)))
    assert len(from_the_step.filling.traps) == 1
    assert from_the_step.filling.traps[0].at[2] == 150


def test_the_fill_face_is_the_largest_flat_face_towards_the_pull():
    found = mouldability(corner_block(), Asked(pull=(0, 0, 1)))
    assert found.filling.area == pytest.approx(175 * 200 - 50 * 75)
    assert found.filling.words.startswith("on the top at ")


@pytest.mark.parametrize(
    ("asked", "code"),
    [
        (Asked(pull=(0, 0, 0)), "pull"),
        (Asked(pull=(0, float("nan"), 1)), "pull"),
        (Asked(draft_deg=-1), "wanted"),
        (Asked(wall_mm=0), "wanted"),
        (Asked(pull=(0, 0, 1), fill_at=(0.0, 0.0, -20.0)), "fill-face"),
        (Asked(pull=(0, 0, 1), fill_at=(0.0, 0.0, 500.0)), "fill-face"),
        (Asked(pull=(0, 0, 1), fill_at=(0.0, float("inf"), 0.0)), "fill-face"),
    ],
)
def test_what_cannot_be_asked_is_refused(asked, code):
    with pytest.raises(InputError) as refusal:
        mouldability(box(), asked)
    assert refusal.value.code == code


def test_a_sphere_has_nothing_to_be_filled_through():
    with pytest.raises(InputError) as refusal:
        mouldability(from_trimesh(trimesh.creation.icosphere(subdivisions=3, radius=100.0)), Asked())
    assert refusal.value.code == "fill-face"


def test_faces_that_disagree_about_outside_are_refused():
    mesh = box()
    faces = mesh.faces.copy()
    faces[3] = faces[3, ::-1]
    with pytest.raises(InputError) as refusal:
        mouldability(Mesh(mesh.vertices, faces), Asked())
    assert refusal.value.code == "winding"


@pytest.mark.parametrize("lid", [0, 1])
def test_an_inside_out_nominal_is_refused_closed_or_open(lid):
    mesh = box()
    with pytest.raises(InputError) as refusal:
        mouldability(Mesh(mesh.vertices, mesh.faces[lid:, ::-1]), Asked())
    assert refusal.value.code == "inside-out"


def test_an_open_nominal_is_judged_as_far_as_it_goes():
    mesh = frustum(5.0)
    under = (mesh.vertices[mesh.faces][:, :, 2] < 0).all(axis=1)
    found = mouldability(Mesh(mesh.vertices, mesh.faces[~under]), Asked(pull=(0, 0, 1)))
    assert (found.wall, found.volume) == (None, None)
    assert "not closed" in found.notes[0]
    assert found.least_draft == pytest.approx(5.0)


def test_the_direction_of_a_sliver_is_not_believed():
    mesh = box(1000.0, 1000.0, 1000.0)
    sliver = np.array([[-500.0, 500.0, -500.0], [500.0, 500.0, -500.0], [0.0, 500.0 + 1e-5, -500.0 + 1e-5]])
    surface = prepare(Mesh(np.concatenate([mesh.vertices, sliver]), np.concatenate([mesh.faces, [[8, 9, 10]]])))
    assert angle_known(surface).tolist() == [True] * 12 + [False]


@pytest.mark.parametrize("kind", ["open-face", "two-part"])
def test_draft_angle_is_the_lean_of_the_face(kind):
    lean = np.array([[1.0, 0.0, -0.1], [0.0, 1.0, 0.0], [0.0, 0.2, 1.0]])
    normals = lean / np.linalg.norm(lean, axis=1)[:, None]
    sign = -1 if kind == "open-face" else 1
    expected = [degrees(atan(0.1)), 0.0, sign * degrees(asin(1 / hypot(1, 0.2)))]
    np.testing.assert_allclose(draft_deg(normals, UP, kind), expected, atol=1e-9)


def test_progress_grows_and_can_stop_the_work():
    told: list[tuple[str, float]] = []
    mouldability(box(), Asked(), lambda stage, share: told.append((stage, share)))
    assert [stage for stage, _ in told if stage == "judging"]
    assert told[-1] == ("judging", 1.0)
