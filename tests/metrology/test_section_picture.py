"""The picture of a section: how much larger the deviation is drawn, where, and in which texture."""

import numpy as np
import pytest
from scipy import ndimage

from fixtures import solids
from metrology.errors import InputError
from metrology.pictures.palette import PALETTE
from metrology.sections.cut import Measured, cut
from metrology.sections.picture import FACTORS, height_of, section_picture
from metrology.sections.planes import plane_across, plane_through
from metrology.surfaces.surface import prepare, sample

PAD = prepare(solids.bearing_pad())
SAMPLES = sample(PAD, 8000)
TOP = SAMPLES.normals[:, 2] > 0.9
ACROSS = plane_across("y", -60.0)


def section(deviation=0.0, limit=1.0, plane=ACROSS):
    ones = np.ones(len(SAMPLES.points))
    given = Measured(SAMPLES.points, SAMPLES.normals, deviation * ones, -limit * ones, limit * ones, (-1.0, 1.0))
    return cut(PAD, plane, given)


def drawn(found, **kwargs):
    image, times = section_picture(found, limits=(-1.0, 1.0), guard_mm=0.1, height=900, **kwargs)
    return np.asarray(image).astype(int), times


def band(pixels, name):
    """Where a band's colour is, in the drawing above the legend."""
    there = (np.abs(pixels - PALETTE[name]).max(axis=2) < 3)[90:740]
    return np.argwhere(there) + [90, 0]


def test_it_is_the_same_each_time():
    found = section(0.002 * SAMPLES.points[:, 0])
    assert (drawn(found)[0] == drawn(found)[0]).all() and drawn(found)[0].shape == (900, 1200, 3)


def test_the_factor_is_chosen_so_that_the_limits_stand_clear_of_the_outline():
    found = section(0.1)
    _, times = drawn(found)
    scale = 840 / 250  # px a millimetre: 250 mm of the pad in the width left for it
    assert times in FACTORS and 26 / 2.6 <= times * scale * 1.0 <= 26


def test_a_deviation_is_drawn_as_many_times_larger_as_is_said():
    high = {}
    for factor in (10, 20):
        pixels, times = drawn(section(np.where(TOP, 0.75, 0.0)), factor=factor)
        assert times == factor
        rows = band(pixels, "hi2")[:, 0]
        high[factor] = np.ptp(rows) + 1
    # 0.75 mm × 3.36 px a millimetre × factor, less half the width of the two lines.
    assert high[10] == pytest.approx(0.75 * 3.36 * 10 - 2.7, abs=2.0)
    assert high[20] == pytest.approx(0.75 * 3.36 * 20 - 2.7, abs=2.0)


def test_too_high_is_drawn_outside_and_too_low_inside():
    high, low = (
        band(drawn(section(np.where(TOP, v, 0.0)), factor=10)[0], n) for v, n in ((0.75, "hi2"), (-0.75, "lo2"))
    )
    # The top face is up in the picture, where rows begin: the two lie on either side of it, one stroke apart.
    assert high[:, 0].mean() + 20 < low[:, 0].mean()


def test_beyond_the_limits_of_its_own_place_it_is_hatched():
    plain, _ = drawn(section(np.where(TOP, 0.75, 0.0), limit=1.0), factor=20)
    tight, _ = drawn(section(np.where(TOP, 0.75, 0.0), limit=0.3), factor=20)
    assert 0.4 < len(band(tight, "hi2")) / len(band(plain, "hi2")) < 0.9
    low, _ = drawn(section(np.where(TOP, -0.75, 0.0), limit=0.3), factor=20)
    assert rising(tight, "hi2") and not rising(low, "lo2")


def rising(pixels, name):
    """Which way the longest stripe of a colour leans, in a window free of labels."""
    there = (np.abs(pixels - PALETTE[name]).max(axis=2) < 3)[90:740, 250:950]
    labels, count = ndimage.label(there)
    sizes = ndimage.sum_labels(there, labels, np.arange(1, count + 1))
    leans = []
    for label in np.argsort(sizes)[-9:] + 1:
        rows, columns = np.nonzero(labels == label)
        leans.append(np.polyfit(rows, columns, 1)[0])
    return np.median(leans) < 0


def test_what_was_not_measured_is_stippled_and_has_no_measured_outline():
    all_of_it, _ = drawn(section(0.4))
    half, _ = drawn(section(np.where(SAMPLES.points[:, 0] > 0, np.nan, 0.4)))
    assert len(band(half, "hi1")) < 0.7 * len(band(all_of_it, "hi1"))
    grey = (np.abs(half - np.array([227, 230, 233])).max(axis=2) < 3)[90:740]
    assert grey.sum() > 1500 and np.argwhere(grey)[:, 1].min() > 590


def test_a_round_outline_is_drawn_without_gaps():
    ring = prepare(solids.ring_segment())
    samples = sample(ring, 6000)
    ones = np.ones(6000)
    found = cut(
        ring, plane_across("z", 60.0), Measured(samples.points, samples.normals, 0.75 * ones, -ones, ones, (-1.0, 1.0))
    )
    pixels, _ = drawn(found, factor=100)
    dark = (pixels < 60).all(axis=2)[140:740]
    # On the outer arc, between the labels: two lines, nominal and measured, in each row that crosses it.
    middle = [ndimage.label(row[690:])[1] for row in dark[230:270]]
    assert min(middle) >= 2


def test_a_slanting_section_keeps_its_words_on_the_sheet():
    pixels, _ = drawn(section(0.2, plane=plane_through((1.0, 1.0, 0.3), (0.0, 0.0, 15.0))))
    assert (pixels[90:780, :8] > 240).all() and (pixels[90:780, -8:] > 240).all()


def test_a_flat_section_makes_a_low_picture_and_a_square_one_a_higher():
    image, _ = section_picture(section(), limits=(-1.0, 1.0), guard_mm=0.1)
    assert image.size == (1200, height_of(section(), 1200)) == (1200, 620)
    square = section(plane=plane_across("z", 15.0))
    assert 620 < height_of(square, 1200) <= 900 and height_of(square, 900, 4 / 3) <= 900


@pytest.mark.parametrize("factor", [0, -1, float("nan"), 1e9])
def test_a_factor_that_is_none_is_refused(factor):
    with pytest.raises(InputError) as refused:
        drawn(section(), factor=factor)
    assert refused.value.code == "factor"


def test_a_huge_factor_still_makes_a_picture():
    pixels, times = drawn(section(np.where(TOP, 0.5, -0.2)), factor=100_000)
    assert times == 100_000 and pixels.shape == (900, 1200, 3)
