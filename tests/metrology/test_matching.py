"""Putting measured casts where they close best: against trying every order."""

from itertools import permutations

import numpy as np
import pytest

from metrology.closure.matching import match_a_chain, match_round_a_ring, match_to_places
from metrology.errors import InputError

RNG = np.random.default_rng(11)


def test_places_get_the_best_of_all_assignments():
    # Second route: every order of seven casts tried.
    room, sizes = RNG.normal(900, 2, 7), RNG.normal(900, 2, 7)
    best = min(np.sqrt(((sizes[list(order)] - room) ** 2).mean()) for order in permutations(range(7)))
    assert match_to_places(room, sizes).after == pytest.approx(best, abs=1e-12)


def test_spare_casts_are_left_over():
    matching = match_to_places(np.array([900.0, 901.0]), np.array([905.0, 901.0, 890.0, 900.0]))
    assert matching.order.tolist() == [3, 1] and matching.after == 0


def test_a_ring_of_eight_comes_within_a_hundredth_of_the_best_of_all_orders():
    sizes = RNG.normal(0, 1, 8)
    tried = np.array([[0, *rest] for rest in permutations(range(1, 8))])
    placed = sizes[tried]
    best = np.sqrt((((placed + np.roll(placed, -1, axis=1)) / 2) ** 2).mean(axis=1)).min()
    assert match_round_a_ring(sizes).after <= best * 1.01


def test_long_and_short_pieces_alternate_when_they_come_in_pairs():
    matching = match_round_a_ring(np.array([1.0, 1.0, 1.0, -1.0, -1.0, -1.0]))
    assert matching.before > 0.7 and matching.after == pytest.approx(0, abs=1e-12)


def test_a_chain_of_seven_comes_near_the_best_of_all_orders():
    pushes = RNG.normal(0, 1, (7, 7, 2))
    positions = np.arange(7)
    sums = [np.linalg.norm(pushes[positions, list(order)].sum(axis=0)) for order in permutations(range(7))]
    matching = match_a_chain(pushes)
    assert matching.after <= np.quantile(sums, 0.01) and matching.after < matching.before


def test_every_cast_is_used_once():
    assert sorted(match_round_a_ring(RNG.normal(0, 1, 24)).order.tolist()) == list(range(24))
    assert sorted(match_a_chain(RNG.normal(0, 1, (24, 24, 2))).order.tolist()) == list(range(24))


def test_the_same_casts_get_the_same_order_on_every_run():
    sizes = RNG.normal(0, 1, 30)
    assert match_round_a_ring(sizes).order.tolist() == match_round_a_ring(sizes).order.tolist()


def test_too_few_casts_for_the_places_are_refused():
    with pytest.raises(InputError, match="2 casts cannot fill 3 places"):
        match_to_places(np.zeros(3), np.zeros(2))


def test_a_cast_without_a_number_is_refused():
    with pytest.raises(InputError, match="must be a number"):
        match_round_a_ring(np.array([0.0, np.nan, 1.0]))
