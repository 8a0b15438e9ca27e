"""Figures of matching: exactness and speed of the assignment, trim against the best possible, wrong acceptance.

Run from the checkout: python -m tests.benchmarks.matching [random cases]
"""

import sys
import time

import networkx as nx
import numpy as np
from scipy.optimize import linprog

from benchlab.matching.assignment import assign
from benchlab.matching.components import Fill, Problem
from benchlab.matching.distances import compare_pair, member
from benchlab.matching.equivalence import difference, equivalence
from benchlab.matching.stroke import stroke_of
from benchlab.matching.trim import trim
from benchlab.stats.uncertainty import estimate
from tests.matching.fakes import PROCEDURES, register, servo, stroke_table
from tests.matching.placements import by_trying_all, random_problem


def exactness(cases: int) -> None:
    rng, wrong = np.random.default_rng(1), 0
    for _ in range(cases):
        problem = random_problem(rng, most=10)
        found, best = assign(problem), by_trying_all(problem)
        same = abs(found.worst - best.worst) < 1e-6 and abs(found.total - best.total) < 2e-6
        wrong += not (same and len(found.empty) == len(best.empty) and found.proven)
    print(f"assignment against trying every placement: {wrong} of {cases} differ")


def line_up(sizes: list[int], seed: int) -> Problem:
    """24 servos of three random properties; the cost of a pair is its largest difference."""
    x = np.random.default_rng(seed).normal(size=(24, 3))
    ends = np.cumsum([0, *sizes])
    groups = tuple(
        Fill(name=f"g{k}", positions=tuple(f"p{i}" for i in range(ends[k], ends[k + 1])), inner="ganged", lead="ganged")
        for k in range(len(sizes))
    )
    cost = np.abs(x[:, None] - x[None]).max(-1)
    return Problem(
        parts=tuple(map(str, range(24))), types=(None,) * 24, groups=groups, costs={"ganged": cost},
        fitted={f"p{i}": i for i in range(sum(sizes))},
    )  # fmt: skip


def speed() -> None:
    for sizes in ([4] * 6, [3] * 8, [2] * 12, [1, 2, 3, 4, 4, 3, 2, 1, 4]):
        seconds = []
        for seed in range(3):
            start = time.perf_counter()
            found = assign(line_up(sizes, seed))
            seconds.append(time.perf_counter() - start)
        print(f"24 servos in groups of {sizes}: at most {max(seconds):.2f} s, proved best: {found.proven}")


def pairs_against_networkx(cases: int) -> None:
    wrong = 0
    for seed in range(cases):
        problem = line_up([2] * 12, seed)
        cost, found = problem.costs["ganged"], assign(problem)
        graph = nx.Graph()
        graph.add_weighted_edges_from(
            (i, j, round(cost[i, j] * 1e9)) for i in range(24) for j in range(i) if cost[i, j] <= found.worst + 1e-9
        )
        total = sum(cost[i, j] for i, j in nx.min_weight_matching(graph))
        graph.remove_edges_from([(i, j) for i, j in list(graph.edges) if cost[i, j] >= found.worst - 1e-9])
        short = len(nx.max_weight_matching(graph, maxcardinality=True)) < 12
        wrong += abs(total - found.total) > 2e-6 or not short
    print(f"pairs against networkx: {wrong} of {cases} differ")


def noisy(table, rng, u):
    for column in ("position_up_deg", "position_down_deg"):
        table[column] += rng.normal(0, u, len(table))
    return table


def trimming(cases: int, noise_deg: float) -> None:
    """Trim from noisy curves, apply it to the true ones; the best: a linear program on the true curves."""
    rng, ratios, bests = np.random.default_rng(5), [], []
    for _ in range(cases):
        shape = {"hysteresis": rng.uniform(0.1, 0.5), "gain": rng.uniform(42, 48), "centre": rng.uniform(-1, 1)}
        wide = {"low": 850, "high": 2150, "levels": 53}
        other = {"hysteresis": rng.uniform(0.1, 1.2), "gain": rng.uniform(42, 48), "bend": rng.uniform(-2, 2)}
        true_a = stroke_of({"stroke_curve": stroke_table(**shape, levels=41)})
        true_b = stroke_of({"stroke_curve": stroke_table(**other, **wide)})
        seen_a = stroke_of({"stroke_curve": noisy(stroke_table(**shape, levels=41), rng, noise_deg)})
        seen_b = stroke_of({"stroke_curve": noisy(stroke_table(**other, **wide), rng, noise_deg)})
        t = trim(seen_a, seen_b)
        at = true_a.command_us
        ideal = true_b.command_for(true_a.mid(at)) - at
        rate = np.interp(at + ideal, true_b.command_us, np.gradient(true_b.mid_deg, true_b.command_us))
        hats = np.column_stack([np.interp(at, t.command_us, e) for e in np.eye(9)]) * rate[:, None]
        rows, sides = [], []
        for way in ("up", "down"):
            gap = getattr(true_b, way)(at + ideal) - getattr(true_a, way)(at)
            ok = np.isfinite(gap)
            for sign in (1, -1):
                rows.append(np.column_stack([sign * hats[ok], -np.ones(ok.sum())]))
                sides.append(sign * (ideal * rate - gap)[ok])
        best = linprog([0] * 9 + [1], np.vstack(rows), np.concatenate(sides), bounds=[(None, None)] * 9 + [(0, None)])
        pulse = at + np.interp(at, t.command_us, t.curve_us)
        left = np.fmax(np.abs(true_b.up(pulse) - true_a.up(at)), np.abs(true_b.down(pulse) - true_a.down(at)))
        ratios.append(float(np.nanmax(left) / best.fun))
        bests.append(best.fun)
    worst = int(np.argmax(ratios))
    print(
        f"mismatch after trim / best possible with 9 points, {cases} pairs, noise {noise_deg} deg: median "
        f"{np.median(ratios):.3f}, 95 % {np.quantile(ratios, 0.95):.3f}, largest {ratios[worst]:.3f} "
        f"(where the best is {bests[worst]:.3f} deg); excess at most "
        f"{max((r - 1) * b for r, b in zip(ratios, bests, strict=True)):.3f} deg"
    )


def acceptance(cases: int) -> None:
    rng = np.random.default_rng(3)
    hits = 0
    for a, b in rng.normal([0.0, 0.5], 0.08, (20 * cases, 2)):
        gap = difference(estimate(a, 0.08, "deg"), estimate(b, 0.08, "deg"))
        hits += equivalence(gap.value, gap.u, 0.5).p_inside >= 0.95
    print(f"wrong acceptance of a difference at the limit: {100 * hits / (20 * cases):.2f} % of {20 * cases}")
    parts = register(servo=[{"id": "S01"}, {"id": "S02"}]).servo
    tolerances = {"stroke_mismatch_deg": PROCEDURES.servo.match["ganged"]["stroke_mismatch_deg"]}
    for u in (0.02, 0.1):
        hits = 0
        for _ in range(cases):
            pair = []
            for part, width in zip(parts, (0.2, 1.2), strict=True):  # true mismatch 0.5 deg, the tolerance
                a = servo(part.id)
                a.tables["stroke_curve"] = noisy(stroke_table(hysteresis=width, u=u), rng, u)
                pair.append(member(part, a))
            hits += compare_pair(*pair, tolerances, PROCEDURES.servo).acceptable
        print(f"wrong acceptance of ganged servos at the limit, u {u} deg: {100 * hits / cases:.2f} % of {cases}")


if __name__ == "__main__":
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    speed()
    pairs_against_networkx(20)
    for noise_deg in (0.0, 0.005):
        trimming(cases, noise_deg)
    acceptance(5 * cases)
    exactness(cases)
