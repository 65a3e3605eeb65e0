"""Shrinkage per direction, its interval, and the pattern it asks for."""

import numpy as np
import pytest
from scipy.stats import t

from metrology.bodies import Mesh
from metrology.errors import InputError
from metrology.moulds.compared_words import shrinkage_sentence
from metrology.moulds.pattern import nominal_pattern, offset_at
from metrology.moulds.shrinkage import fit_growth, pattern_scale, shrinkage
from metrology.surfaces.surface import prepare, sample
from tests.metrology.bodies_for_tests import corner_block
from tests.metrology.casts_for_tests import growth


@pytest.fixture(scope="module")
def block():
    return prepare(corner_block())


@pytest.fixture(scope="module")
def places(block):
    return sample(block, 900)


def of(places, *fields, mould=0.0, **more):
    values = np.array([field(places.points, places.normals) for field in fields])
    return shrinkage(places.points, places.normals, values, np.full(len(places.points), mould) * 1.0, **more)


@pytest.mark.parametrize(
    ("wanted", "share", "needed"), [(600.0, 0.006, 603.6217), (100.0, 0.5, 200.0), (1.0, -0.25, 0.8)]
)
def test_the_pattern_is_the_wanted_part_over_one_less_the_shrinkage(wanted, share, needed):
    """Closed form: mould × (1 − s) = part. Not part × (1 + s), which handbooks' allowances suggest."""
    assert wanted * pattern_scale(share) == pytest.approx(needed, abs=5e-5)
    assert wanted * pattern_scale(share) * (1 - share) == pytest.approx(wanted, rel=1e-15)


def test_a_part_that_shrinks_by_all_its_length_is_refused():
    with pytest.raises(InputError) as refused:
        pattern_scale(1.0)
    assert refused.value.code == "shrinkage"


def test_each_direction_is_found_by_itself(places):
    x, y, z = of(places, growth(-0.004, -0.006, -0.001))
    assert (x.value, y.value, z.value) == pytest.approx((0.004, 0.006, 0.001), abs=1e-12)
    assert x.pattern_scale == pytest.approx(1 / 0.996)


def test_shrinkage_is_measured_on_the_mould_and_not_on_nominal(block, places):
    """A mould 0.5 % too large whose part comes out 0.1 % short of nominal shrank by 1 − 0.999 / 1.005."""
    mould = offset_at(nominal_pattern(block, (1.005, 1.0, 1.0)), places.points, places.normals)
    values = growth(-0.001, 0.0, 0.0, about=(150.0, 0.0, 0.0))(places.points, places.normals)[None]
    x, _, _ = shrinkage(places.points, places.normals, values, mould)
    assert x.mould_scale == pytest.approx(1.005, abs=1e-9)
    assert x.value == pytest.approx(1 - 0.999 / 1.005, abs=1e-9)
    # The next pattern, of nominal: what is missing on top of what the mould has already.
    assert x.pattern_scale == pytest.approx(1.005 / 0.999, abs=1e-9)


def test_the_interval_is_students_over_casts(places):
    """t of 2 degrees of freedom, 95 % two-sided: 4.303 (printed tables, from memory)."""
    x, _, _ = of(places, *(growth(-share) for share in (0.004, 0.005, 0.006)))
    assert x.casts == 3 and x.value == pytest.approx(0.005)
    assert (x.high - x.low) / 2 == pytest.approx(4.303 * 0.001 / np.sqrt(3), rel=2e-4)
    assert x.per_cast == pytest.approx([0.004, 0.005, 0.006])


def test_one_cast_has_no_interval(places):
    x, _, _ = of(places, growth(-0.004))
    assert np.isnan(x.low) and not x.told
    assert "one cast, so without an interval" in shrinkage_sentence([x])


def test_casts_that_agree_are_no_surer_than_the_scanner(places):
    """U = 0.3 mm at half of 300 mm: 0.1 % expanded at the least, k = 1.96 with no other part."""
    x, _, _ = of(places, growth(-0.004), growth(-0.004), scanner_mm=0.3)
    assert (x.high - x.low) / 2 == pytest.approx(1.96 * 0.3 / np.ptp(places.points[:, 0]), rel=1e-3)


def test_the_interval_combines_casts_and_scanner(places):
    """Welch and Satterthwaite (JCGM 100 G.4.1, from memory): effective freedom (n − 1) (u_c / u_A)⁴."""
    shares = (0.004, 0.005, 0.006)
    x, _, _ = of(places, *(growth(-share) for share in shares), scanner_mm=0.15)
    by_chance, scanner = 0.001 / np.sqrt(3), 0.15 / np.ptp(places.points[:, 0])
    combined = np.hypot(by_chance, scanner)
    freedom = 2 * (combined / by_chance) ** 4
    assert (x.high - x.low) / 2 == pytest.approx(t.ppf(0.975, freedom) * combined, rel=1e-6)


def test_where_the_alignment_put_a_cast_does_not_matter(places):
    def moved(points, normals):
        shifted = np.array([1.5, -0.8, 0.4]) + np.cross([0.001, -0.002, 0.0015], points)
        return growth(-0.004, -0.003, -0.002)(points, normals) + (shifted * normals).sum(axis=1)

    assert [axis.value for axis in of(places, moved)] == pytest.approx([0.004, 0.003, 0.002], abs=1e-9)


def test_the_choice_of_origin_does_not_matter(block):
    moved = prepare(Mesh(block.vertices + [900.0, -4000.0, 70.0], block.faces))
    one = of(sample(block, 900), growth(-0.004, -0.003, -0.002))
    other = of(sample(moved, 900), growth(-0.004, -0.003, -0.002, about=(900.0, -4000.0, 70.0)))
    assert [axis.value for axis in other] == pytest.approx([axis.value for axis in one], abs=1e-9)


def test_a_bump_hardly_shifts_the_shrinkage(places):
    """A quarter of the top stands 3 mm high. Least squares alone would be off by more than a part in a thousand."""

    def bumped(points, normals):
        on_top = (normals[:, 2] > 0.9) & (points[:, 0] < 60)
        return growth(-0.004, -0.004, -0.004)(points, normals) + 3.0 * on_top

    z = of(places, bumped)[2].value
    plain = fit_growth(places.points, places.normals, bumped(places.points, places.normals), robust=False).growth[2]
    assert abs(z - 0.004) < 2e-4 < 1e-3 < abs(-plain - 0.004)


def test_a_direction_that_no_surface_shows_cannot_be_told(block, places):
    """Only the floor and upright walls: all that faces up or down lies at one height."""
    used = places.normals[:, 2] < 0.5
    x, y, z = of(places, growth(-0.004, -0.004, -0.004), used=used)
    assert x.known and y.known and not z.known
    assert "Up–down: the surface that the mould forms does not show it." in shrinkage_sentence([x, y, z])


def test_places_without_a_measurement_are_passed_over(places):
    def half(points, normals):
        return np.where(points[:, 1] < 120, growth(-0.004, -0.003, -0.002)(points, normals), np.nan)

    assert of(places, half)[0].value == pytest.approx(0.004, abs=1e-9)


def test_too_few_places_are_refused(places):
    few = places.points[:10]
    with pytest.raises(InputError) as refused:
        shrinkage(few, places.normals[:10], np.zeros((1, 10)), np.zeros(10))
    assert refused.value.code == "too-few-places"


def test_no_cast_is_refused(places):
    with pytest.raises(InputError) as refused:
        shrinkage(places.points, places.normals, np.empty((0, len(places.points))), np.zeros(len(places.points)))
    assert refused.value.code == "no-casts"
