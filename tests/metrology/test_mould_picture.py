"""Pictures of mouldability: what is hatched is what holds the part."""

import numpy as np

from metrology.moulds.mouldability import Asked, mouldability
from metrology.moulds.picture import MOULD_VIEWS, mould_pictures

from .bodies_for_tests import corner_block
from .test_mouldability import DOVETAIL, prism

SMALL = {"width": 400, "height": 300}


def dark_share(picture, box: tuple[int, int, int, int]) -> float:
    """Share of dark pixels in left, top, right, bottom."""
    return float((np.asarray(picture.convert("L").crop(box)) < 90).mean())


def test_a_dovetail_is_hatched_on_its_flank_and_not_on_its_fill_face():
    mesh = prism(DOVETAIL, 300.0)
    found = mouldability(mesh, Asked(pull=(0, 0, 1)))
    picture = mould_pictures(mesh, found)["pictorial"]
    assert picture.size == (1200, 900)
    assert dark_share(picture, (300, 400, 420, 470)) > 0.2  # the flank at the right side of the part
    assert dark_share(picture, (480, 250, 560, 290)) < 0.02  # the fill face


def test_both_views_are_drawn_the_same_twice():
    mesh = corner_block()
    found = mouldability(mesh, Asked(pull=(0, 0, 1), wall_mm=60.0))
    first, second = (mould_pictures(mesh, found, width=400, height=300) for _ in range(2))
    assert list(first) == [view.name for view in MOULD_VIEWS]
    assert all(np.array_equal(first[name], second[name]) for name in first)


def test_a_wall_below_what_is_wanted_is_hatched_only_when_one_is_asked_for():
    mesh = corner_block()
    plain = mould_pictures(mesh, mouldability(mesh, Asked(pull=(0, 0, -1))), **SMALL)["from-below"]
    thin = mould_pictures(mesh, mouldability(mesh, Asked(pull=(0, 0, -1), wall_mm=60.0)), **SMALL)["from-below"]
    changed = (np.asarray(plain, dtype=int) != np.asarray(thin, dtype=int)).any(axis=2)
    assert 0.005 < changed[:260].mean() < 0.2


def test_a_part_far_from_the_origin_and_one_in_a_two_part_mould_are_drawn():
    mesh = corner_block()
    far = type(mesh)(mesh.vertices + [1e5, -2e5, 3e4], mesh.faces)
    for kind in ("open-face", "two-part"):
        found = mouldability(far, Asked(kind=kind, pull=(0, 0, -1)))
        pictures = mould_pictures(far, found, width=400, height=300)
        assert all(dark_share(picture, (100, 70, 300, 230)) > 0.005 for picture in pictures.values())
