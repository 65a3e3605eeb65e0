"""Mean, scatter and what of the error is the mould's."""

import numpy as np
import pytest

from metrology.bodies import Mesh
from metrology.errors import InputError
from metrology.moulds.casts_compared import CastDeviations, at_places, compare_casts, split_square, t_factor
from metrology.moulds.compared_words import mean_sentence, split_sentence
from metrology.surfaces.surface import prepare, sample
from tests.metrology.bodies_for_tests import box, corner_block
from tests.metrology.casts_for_tests import cast_of, casts_of, compared_of, growth


@pytest.fixture(scope="module")
def block():
    return prepare(corner_block())


def test_mean_and_scatter_keep_their_digits_at_every_place(block):
    """NIST StRD NumAcc1: 10000001, 10000003, 10000002 have mean 10000002 and standard deviation 1 (from memory)."""
    found = compared_of(block, [10000001.0, 10000003.0, 10000002.0])
    assert found.mean == pytest.approx(10000002, rel=1e-15)
    assert found.scatter == pytest.approx(1.0, rel=1e-9)


def test_the_interval_of_the_mean_is_students(block):
    """t of 4 degrees of freedom, 95 % two-sided: 2.776 (printed tables, from memory)."""
    found = compared_of(block, [0.1, 0.2, 0.3, 0.4, 0.5])
    assert found.half_width == pytest.approx(2.776 * np.sqrt(0.025) / np.sqrt(5), rel=2e-4)
    assert float(t_factor(0.95, 4)) == pytest.approx(2.776445, abs=5e-7)


def test_places_that_fewer_than_three_casts_cover_are_not_enough(block):
    casts = casts_of(block, [0.1, 0.2, 0.3])
    casts[0] = cast_of(block, 0.1, "C1", 1, hidden=lambda points, normals: points[:, 0] > 250)
    found = compare_casts(block, casts)
    far = found.places.points[:, 0] > 250
    assert np.isnan(found.mean[far]).all() and np.isnan(found.scatter[far]).all()
    assert (found.counted[far] == 2).all() and (found.counted[~far] == 3).all()
    assert np.isfinite(found.mean[~far]).all()


@pytest.mark.parametrize(("fields", "words"), [([0.2], "One cast was scanned"), ([0.2, 0.4], "Two casts were scanned")])
def test_one_or_two_casts_have_a_mean_and_no_scatter(block, fields, words):
    found = compared_of(block, fields)
    assert found.mean == pytest.approx(np.mean(fields))
    assert np.isnan(found.scatter).all() and np.isnan(found.mould_share)
    assert split_sentence(found).startswith(words)
    assert "95" not in mean_sentence(found)


def test_the_split_is_the_analysis_of_variance_with_one_factor():
    """Second route: expected mean squares of a random-effects layout, between places and within."""
    rng = np.random.default_rng(3)
    n, places, mould, process = 4, 20_000, 0.3, 0.5
    values = rng.normal(0, mould, places) + rng.normal(0, process, (n, places))
    within = values.var(axis=0, ddof=1).mean()
    about_zero = (n * values.mean(axis=0) ** 2).mean()
    found = split_square(values.mean(axis=0), values.std(axis=0, ddof=1), np.full(places, n))
    assert found[0] == pytest.approx(np.sqrt((about_zero - within) / n), rel=1e-12)
    assert found[1] == pytest.approx(np.sqrt(within), rel=1e-12)
    assert found[0] == pytest.approx(mould, abs=0.01) and found[1] == pytest.approx(process, abs=0.01)


def test_a_mean_that_is_all_scatter_leaves_nothing_to_the_mould():
    assert split_square(np.array([0.1, -0.1]), np.array([1.0, 1.0]), np.array([4, 4]))[0] == 0.0


def test_the_sentence_says_both_parts_with_their_share(block):
    found = compared_of(block, [0.6, 0.8, 1.0])
    assert split_sentence(found) == (
        "Of the usual profile error of 0.82\u00a0mm (rms) the mould makes 0.79\u00a0mm and the process 0.20\u00a0mm: "
        "94\u00a0% and 6\u00a0% of its square, over 3\u00a0casts."
    )


def test_a_fill_face_is_in_the_maps_and_not_in_the_figures(block):
    top = block.normals[:, 2] > 0.9
    fields = [lambda points, normals, k=k: np.where(normals[:, 2] > 0.9, 5.0, 0.1 * k) for k in (1, 2, 3)]
    found = compared_of(block, fields, filled=top)
    assert found.mean.max() == pytest.approx(5.0)
    assert found.worst_mean == pytest.approx(0.2) and found.mean_error == pytest.approx(0.2)


def test_the_order_in_which_casts_are_given_changes_nothing(block):
    casts = casts_of(block, [growth(0.001), growth(0.002), growth(0.004)])
    one, other = compare_casts(block, casts), compare_casts(block, casts[::-1])
    assert one.names == other.names == ("C1", "C2", "C3")
    assert np.array_equal(one.values, other.values)


def test_casts_measured_at_other_places_are_brought_to_common_ones(block):
    field = growth(0.003, -0.002, 0.004)
    casts = [cast_of(block, field, f"C{k}", k, places=count) for k, count in enumerate((700, 1500, 4100), 1)]
    found = compare_casts(block, casts)
    truth = field(found.places.points, found.places.normals)
    assert len(found.mean) == 700
    inner = np.isfinite(found.mean)
    assert inner.all()
    assert np.sqrt(np.mean((found.mean - truth) ** 2)) < 0.02 * np.sqrt(np.mean(truth**2))


def test_stored_samples_in_single_precision_are_the_places_themselves(block):
    cast = cast_of(block, growth(0.003))
    kept = CastDeviations("C1", 1, cast.points.astype(np.float32).astype(float), cast.normals, cast.deviation)
    assert np.array_equal(at_places(sample(block, 800), kept), cast.deviation)


def test_moving_nominal_and_casts_together_changes_no_figure(block):
    turn = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    moved = prepare(Mesh(block.vertices @ turn.T + [5000.0, -300.0, 80.0], block.faces))
    fields = [0.1, 0.25, 0.3]
    one, other = compared_of(block, fields), compared_of(moved, fields)
    assert other.mould_rms == pytest.approx(one.mould_rms, abs=1e-9)
    assert other.process_sd == pytest.approx(one.process_sd, abs=1e-9)


def test_nothing_measured_is_said_in_words():
    surface = prepare(box())
    found = compared_of(surface, [np.nan, np.nan, np.nan])
    assert "no place was measured on three of them" in split_sentence(found)
    assert mean_sentence(found) == ""


@pytest.mark.parametrize(
    ("casts", "code"),
    [
        (lambda surface: [], "no-casts"),
        (lambda surface: [cast_of(surface, 0.1), cast_of(surface, 0.2)], "cast-twice"),
        (lambda surface: [CastDeviations("C1", 1, np.empty((0, 3)), np.empty((0, 3)), np.empty(0))], "no-samples"),
    ],
)
def test_what_cannot_be_compared_is_refused(block, casts, code):
    with pytest.raises(InputError) as refused:
        compare_casts(block, casts(block))
    assert refused.value.code == code
