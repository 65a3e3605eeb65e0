"""Closing a ring: against a chain composed of exact rotations, and against closed forms."""

import numpy as np
import pytest

from metrology.closure.ring_chain import Errors, FixedPlaces, FreeChain, Ring, generators
from metrology.errors import InputError

RING = Ring(pieces=24, chord=900.0, joint=6.0, depth=240.0)
RNG = np.random.default_rng(7)


def exact_chain(ring, length, angle, height, pitch):
    """Each piece as rigid motions one after another: half its turn and errors, its length, the other half."""
    place, turn = np.zeros(3), np.eye(3)

    def about(axis, by):
        c, s = np.cos(by), np.sin(by)
        return (
            np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
            if axis == "up"
            else np.array([[c, 0, -s], [0, 1, 0], [s, 0, c]])
        )

    for k in range(ring.pieces):
        turn = turn @ about("up", (ring.turn + angle[k]) / 2)
        turn = turn @ about("side", pitch[k] / 2)
        place = place + turn @ np.array([ring.chord + ring.joint + length[k], 0, height[k]])
        turn = turn @ about("side", pitch[k] / 2)
        turn = turn @ about("up", (ring.turn + angle[k]) / 2)
    return place


def some(scale, count=1):
    return RNG.normal(0, scale, (RING.pieces, count))


def test_a_perfect_ring_closes_with_its_nominal_joint():
    closing = FreeChain(RING).close(Errors(length=np.zeros((24, 1))))
    figures = [closing.gap[0], closing.step[0], closing.wedge[0], closing.height[0]]
    np.testing.assert_allclose(figures, [6, 0, 0, 0], atol=1e-9)


def test_errors_in_plan_close_as_a_chain_of_exact_rotations():
    # Second route: rotations composed one by one. The series leaves less than a millionth of a length.
    length, angle = some(0.8), some(np.radians(0.08))
    closing = FreeChain(RING).close(Errors(length=length, angle=angle))
    end = exact_chain(RING, length[:, 0], angle[:, 0], np.zeros(24), np.zeros(24))
    assert closing.gap[0] == pytest.approx(6.0 - end[0], abs=1e-4)
    assert closing.step[0] == pytest.approx(-end[1], abs=1e-4)


def test_errors_in_height_close_as_a_chain_of_exact_rotations():
    height, pitch = some(0.5), some(np.radians(0.02))
    closing = FreeChain(RING).close(Errors(height=height, pitch=pitch))
    end = exact_chain(RING, np.zeros(24), np.zeros(24), height[:, 0], pitch[:, 0])
    assert closing.height[0] == pytest.approx(end[2], abs=0.02)  # first order in the pitch: (0.1°)² of a metre


def test_a_common_length_error_changes_the_circle_and_not_the_closing():
    # Closed form: equal pieces with equal turns close whatever their length.
    closing = FreeChain(RING).close(Errors(length=np.full((24, 1), 2.0)))
    np.testing.assert_allclose([closing.gap[0], closing.step[0]], [6.0, 0.0], atol=1e-9)


def test_length_errors_alone_close_with_the_variance_of_half_the_pieces():
    # Closed form: the squares of the cosines round a ring sum to half their number.
    length = RNG.normal(0, 1.0, (24, 200_000))
    closing = FreeChain(RING).close(Errors(length=length))
    assert closing.gap.std() == pytest.approx(np.sqrt(12), rel=0.01)
    assert closing.step.std() == pytest.approx(np.sqrt(12), rel=0.01)


def test_the_last_face_is_wedge_shaped_by_the_sum_of_the_angles():
    closing = FreeChain(RING).close(Errors(angle=np.full((24, 1), np.radians(0.01))))
    assert closing.wedge[0] == pytest.approx(-240 * np.radians(0.24), rel=1e-12)


def test_angles_that_add_up_to_no_ring_are_refused():
    with pytest.raises(InputError, match="Check the unit") as caught:
        FreeChain(RING).close(Errors(angle=np.full((24, 1), 0.01)))
    assert caught.value.code == "angles-too-large"


def test_on_set_out_places_a_joint_takes_half_of_each_neighbour():
    length = np.zeros((24, 1))
    length[3], length[4] = 2.0, -1.0
    gap, wedge = FixedPlaces(RING).gaps(Errors(length=length))
    np.testing.assert_allclose(gap[2:6, 0], [5.0, 5.5, 6.5, 6.0])
    assert not wedge.any()


def test_on_set_out_places_gaps_sum_to_the_room_that_is_left():
    # Closed form: places are fixed, so the gaps take up just what the pieces are longer, wherever the places lie.
    errors = Errors(length=some(1.0), along=some(2.0))
    gap, _ = FixedPlaces(RING).gaps(errors)
    assert gap.sum() == pytest.approx(24 * 6.0 - errors.length.sum(), abs=1e-9)


def test_a_turned_face_opens_one_edge_and_closes_the_other():
    angle = np.zeros((24, 1))
    angle[5] = np.radians(0.1)
    joints = FixedPlaces(RING).worst(Errors(angle=angle))
    opening = 240 * np.radians(0.1) / 4  # half the piece's error at each face, half the depth from the middle
    assert joints.narrowest[0] == pytest.approx(6 - opening) and joints.widest[0] == pytest.approx(6 + opening)


def test_a_high_piece_steps_up_and_down_at_its_two_joints():
    up = np.zeros((24, 1))
    up[7] = 1.5
    steps = FixedPlaces(RING).height_steps(Errors(up=up))
    np.testing.assert_allclose(steps[6:8, 0], [1.5, -1.5])


def test_no_errors_at_all_are_refused():
    with pytest.raises(InputError, match="at least one error"):
        FreeChain(RING).close(Errors())


@pytest.mark.parametrize("kind", [FreeChain, FixedPlaces])
def test_two_pieces_are_no_ring(kind):
    with pytest.raises(InputError, match="at least 3"):
        kind(Ring(2, 900.0, 6.0, 240.0))


def test_the_random_numbers_are_the_same_on_every_run():
    first = [rng.standard_normal(3).tolist() for rng, _ in generators(5, 5000)]
    again = [rng.standard_normal(3).tolist() for rng, _ in generators(5, 5000)]
    assert first == again and sum(count for _, count in generators(5, 5000)) == 5000
