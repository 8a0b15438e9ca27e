"""The assignment is exact: it equals trying every placement, and a general matching library for pairs."""

from dataclasses import replace

import networkx as nx
import numpy as np
import pytest

from benchlab.matching.assignment import assign, blockers, evaluate, second_best, within
from benchlab.matching.components import Fill, Problem
from tests.matching.placements import by_trying_all, random_problem, second_by_trying_all

# the solver's own tolerance on sums of numbers of order one
EXACT = 2e-6


def pairs(n, *, cost, fitted=None, positions=None, **more):
    groups = tuple(
        Fill(name=f"g{k}", positions=(f"p{2 * k}", f"p{2 * k + 1}"), inner="ganged", lead="ganged")
        for k in range((positions or n) // 2)
    )
    return Problem(
        parts=tuple(f"S{i}" for i in range(n)), types=(None,) * n, groups=groups, costs={"ganged": np.array(cost)},
        fitted=fitted or {}, **more,
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(40))
def test_it_equals_trying_every_placement(seed):
    problem = random_problem(np.random.default_rng(seed), most=7)
    found, best = assign(problem), by_trying_all(problem)
    assert len(found.empty) == len(best.empty)
    assert found.worst == pytest.approx(best.worst, abs=EXACT)
    assert found.total == pytest.approx(best.total, abs=EXACT)
    placed = [i for i in found.placement.values() if i is not None]
    assert len(set(placed)) == len(placed)
    assert all(found.placement[p] == i for p, i in problem.held.items())
    assert not (set(placed) - set(problem.held.values())) & problem.barred


@pytest.mark.parametrize("seed", range(5))
def test_pairs_equal_a_general_matching(seed):
    """networkx minimises the sum only: where the worst pair is no binding limit, both must agree."""
    rng = np.random.default_rng(seed)
    x = rng.normal(size=(10, 2))
    cost = np.abs(x[:, None] - x[None]).max(-1)
    found = assign(pairs(10, cost=cost))
    graph = nx.Graph()
    for i in range(10):
        for j in range(i):
            if cost[i, j] <= found.worst + 1e-9:
                graph.add_edge(i, j, weight=round(cost[i, j] * 1e9))  # its documentation asks for integers
    matching = nx.min_weight_matching(graph)
    assert len(matching) == 5
    assert found.total == pytest.approx(sum(cost[i, j] for i, j in matching), abs=EXACT)
    # no perfect matching lies wholly below the worst pair
    graph.remove_edges_from([(i, j) for i, j in list(graph.edges) if cost[i, j] >= found.worst - 1e-9])
    assert len(nx.max_weight_matching(graph, maxcardinality=True)) < 5


LINE = np.abs(np.subtract.outer([0.0, 5.0, 0.1, 5.1], [0.0, 5.0, 0.1, 5.1]))


def test_the_worst_group_counts_before_the_sum():
    # 0-1, 2-3 costs 1 + 1; 0-2, 1-3 costs 0 + 1.5: the smaller sum has the larger worst
    cost = np.full((4, 4), 9.0)
    for i, j, c in ((0, 1, 1.0), (2, 3, 1.0), (0, 2, 0.0), (1, 3, 1.5)):
        cost[i, j] = cost[j, i] = c
    assert assign(pairs(4, cost=cost)).worst == 1.0


def test_a_placement_that_is_already_best_is_left_alone():
    fitted = {"p0": 3, "p1": 1, "p2": 2, "p3": 0}
    assert assign(pairs(4, cost=LINE, fitted=fitted)).placement == fitted


def test_no_more_parts_move_than_must():
    found = assign(pairs(4, cost=LINE, fitted={"p0": 0, "p1": 1, "p2": 2, "p3": 3}))
    assert sum(found.placement[f"p{k}"] != k for k in range(4)) == 2


def test_fixed_parts_stay_and_rejected_ones_are_not_placed():
    fitted = {"p0": 0, "p1": 1}
    found = assign(pairs(4, cost=LINE, positions=2, fitted=fitted, fixed=frozenset({"p0"}), barred=frozenset({2})))
    assert found.placement["p0"] == 0
    assert found.placement["p1"] == 1  # 2 would match best, but is rejected; 3 is worse


def test_only_one_type_shares_a_group():
    problem = replace(pairs(4, cost=LINE, positions=2), types=("x", "x", "y", "y"))
    assert set(assign(problem).placement.values()) in ({0, 1}, {2, 3})


def test_positions_left_empty_are_named():
    found = assign(pairs(3, cost=LINE[:3, :3], positions=4))
    assert len(found.empty) == 1


def test_a_position_in_two_groups_is_placed_jointly():
    # c is ganged with a and mirrored with b: 0 must sit where it suits both 1 and 2
    ganged = np.array([[0, 1, 9], [1, 0, 9], [9, 9, 0]], dtype=float)
    mirrored = np.array([[0, 9, 1], [9, 0, 9], [1, 9, 0]], dtype=float)
    problem = Problem(
        parts=("S0", "S1", "S2"), types=(None,) * 3, fitted={}, costs={"ganged": ganged, "mirrored": mirrored},
        groups=(
            Fill(name="left", positions=("a", "c"), inner="ganged", lead="ganged"),
            Fill(name="twins", positions=("c", "b"), inner="mirrored", lead="mirrored"),
        ),
    )  # fmt: skip
    assert assign(problem).placement == {"a": 1, "c": 0, "b": 2}


def test_the_second_best_groups_other_parts_together():
    problem = pairs(4, cost=LINE)
    best = assign(problem)
    second = second_best(problem, best)
    assert best.worst == pytest.approx(0.1)
    assert second.worst == pytest.approx(5.0, abs=0.11)


def test_the_part_in_the_way_is_found():
    cost = np.ones((4, 4)) - np.eye(4)
    cost[0, 1] = cost[1, 0] = cost[1, 2] = cost[2, 1] = cost[0, 2] = cost[2, 0] = 0.0
    problem = pairs(4, cost=cost)
    assert within(problem, 0.5) is None
    assert blockers(problem, 0.5) == (3,)


@pytest.mark.parametrize("seed", range(40, 60))
def test_leaving_out_what_cannot_be_better_changes_nothing(seed, monkeypatch):
    """Every program solved as the large ones are: a few variables first, then those that may still be better."""
    monkeypatch.setattr("benchlab.matching.model._FEW", 2)
    problem = random_problem(np.random.default_rng(seed), most=7)
    found, best = assign(problem), by_trying_all(problem)
    assert (len(found.empty), found.whole) == (len(best.empty), best.whole)
    assert (found.worst, found.total) == pytest.approx((best.worst, best.total), abs=EXACT)


def test_evaluate_costs_a_group_by_its_worst_pair():
    problem = Problem(
        parts=("S0", "S1", "S2"), types=(None,) * 3, fitted={}, costs={"ganged": LINE[:3, :3]},
        groups=(Fill(name="three", positions=("a", "b", "c"), inner="ganged", lead="ganged"),),
    )  # fmt: skip
    assert evaluate(problem, {"a": 0, "b": 2, "c": None}).worst == pytest.approx(0.1)
    assert evaluate(problem, {"a": 0, "b": 2, "c": 1}).worst == pytest.approx(5.0)


@pytest.mark.parametrize("seed", range(12))
def test_too_many_ways_to_list_give_the_same_answer(seed, monkeypatch):
    """Positions placed one by one instead of whole sets: another program for the same problem."""
    monkeypatch.setattr("benchlab.matching.components._MOST_WAYS", 0)
    problem = random_problem(np.random.default_rng(seed), most=6)
    found, best = assign(problem), by_trying_all(problem)
    assert (len(found.empty), found.worst) == pytest.approx((len(best.empty), best.worst), abs=EXACT)
    assert found.total == pytest.approx(best.total, abs=EXACT)


def test_too_few_parts_make_one_whole_pair_rather_than_two_halves():
    # 0 and 1 match badly; apart they would cost nothing, but neither group would be of use
    found = assign(pairs(2, cost=LINE[:2, :2], positions=4))
    assert found.whole == 1
    assert len(found.empty) == 2
    assert found.worst == 5.0


@pytest.mark.parametrize("seed", range(100, 120))
def test_the_second_best_equals_trying_every_placement(seed):
    problem = random_problem(np.random.default_rng(seed), most=6)
    best = assign(problem)
    found, second = second_best(problem, best), second_by_trying_all(problem, best)
    if second is None or len(second.empty) > len(best.empty) or second.whole < best.whole:
        assert found is None
        return
    assert (len(found.empty), found.whole) == (len(second.empty), second.whole)
    assert (found.worst, found.total) == pytest.approx((second.worst, second.total), abs=EXACT)
