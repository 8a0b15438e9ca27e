"""Figures of matching: exactness and speed of the assignment, trim against the best possible, wrong acceptance.

Run from the checkout: python -m tests.benchmarks.matching [pairs to trim, default 100; the rest in proportion]
Noise 0.004 deg is what the mean over the last 50 of 990 simulated cycles leaves of 0.05 deg in a reading at 100 Hz.
"""

import itertools
import math
import sys
import time
from itertools import pairwise

import networkx as nx
import numpy as np
from scipy.optimize import linprog

from benchlab.matching.assignment import assign, second_best
from benchlab.matching.components import Fill, Problem
from benchlab.matching.equivalence import difference, judge_difference
from benchlab.matching.groups import match_groups
from benchlab.matching.stroke import Stroke, stroke_of
from benchlab.matching.trim import trim
from benchlab.stats.uncertainty import estimate
from tests.matching.fakes import PROCEDURES, register, servo, stroke_table
from tests.matching.placements import by_trying_all, random_problem, second_by_trying_all

STEP_DEG = 0.1
"""Step of the position sensor, as the simulated bench has it: the uncertainty stated of a position includes it."""


def exactness(cases: int) -> None:
    rng, wrong, second_wrong = np.random.default_rng(101), 0, 0
    for _ in range(cases):
        problem = random_problem(rng, most=10)
        found, best = assign(problem), by_trying_all(problem)
        same = (len(found.empty), found.whole) == (len(best.empty), best.whole) and found.proven
        wrong += not (same and abs(found.worst - best.worst) < 1e-6 and abs(found.total - best.total) < 2e-6)
        again, second = second_best(problem, found), second_by_trying_all(problem, found)
        if second is None or len(second.empty) > len(best.empty) or second.whole < best.whole:
            second_wrong += again is not None
        else:
            near = again is not None and abs(again.worst - second.worst) < 1e-6
            second_wrong += not (near and abs(again.total - second.total) < 2e-6)
    print(f"assignment against trying every placement: {wrong} of {cases} differ; second best: {second_wrong} differ")


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


def random_sizes(rng: np.random.Generator) -> list[int]:
    """Groups of 1 to 4 that 24 servos fill, or all but a few spares."""
    sizes: list[int] = []
    while sum(sizes) < 24 - 4:
        sizes.append(int(rng.integers(1, 5)))
    return [*sizes, *([24 - sum(sizes)] if rng.random() < 0.5 and sum(sizes) < 24 else [])]


def speed(cases: int) -> None:
    """Wall and processor seconds of best and second best together."""
    rng = np.random.default_rng(202)
    layouts = {"of 4": lambda: [4] * 6, "of 3": lambda: [3] * 8, "of 2": lambda: [2] * 12,
               "of 1 to 4 at random": lambda: random_sizes(rng)}  # fmt: skip
    for name, sizes in layouts.items():
        wall, busy, proven = [], [], True
        for seed in range(cases):
            problem = line_up(sizes(), 300 + seed)
            start, start_busy = time.perf_counter(), time.process_time()
            found = assign(problem)
            wall.append(time.perf_counter() - start)
            busy.append(time.process_time() - start_busy)
            proven &= found.proven
        print(
            f"24 servos in groups {name}, {cases} cases: median {np.median(wall):.2f} s, worst {max(wall):.2f} s "
            f"(processor {np.median(busy):.2f}, {max(busy):.2f}); all proved best: {proven}"
        )


def whole_job(cases: int) -> None:
    """Everything that matching does for 24 servos: strokes compared two by two, placements, trim."""
    wall, busy = [], []
    for seed in range(cases):
        rng, analyses, entries = np.random.default_rng(400 + seed), {}, []
        for i in range(24):
            shape = {"hysteresis": rng.uniform(0.2, 0.9), "gain": 45 + rng.normal(), "bend": 0.5 * rng.normal()}
            a = servo(f"S{i:02d}", transit=0.15 + 0.005 * rng.normal(), centre=0.5 * rng.normal(), levels=41, **shape)
            noisy(a.tables["stroke_curve"], rng, 0.004)
            analyses[f"S{i:02d}"] = a
            entries.append({"id": f"S{i:02d}", "position": f"p{i}"})
        groups = [
            {"name": f"g{k}", "positions": [f"p{4 * k + j}" for j in range(4)], "coupling": "ganged"} for k in range(6)
        ]
        start, start_busy = time.perf_counter(), time.process_time()
        match_groups(register(servo=entries, group=groups), analyses, PROCEDURES)
        wall.append(time.perf_counter() - start)
        busy.append(time.process_time() - start_busy)
    print(
        f"whole matching of 24 servos in 6 ganged groups, {cases} cases: median {np.median(wall):.1f} s, worst "
        f"{max(wall):.1f} s (processor {np.median(busy):.1f}, {max(busy):.1f})"
    )


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
    """Trim from noisy curves, apply it to the true ones; against the best that 9 points allow on the true curves."""
    rng, ratios, bests = np.random.default_rng(1505), [], []
    for _ in range(cases):
        size = 10 ** rng.uniform(-2, 0)  # pairs that match well and pairs that do not
        one = {"hysteresis": 0.3, "gain": rng.uniform(42, 48), "centre": rng.uniform(-1, 1), "levels": 41}
        other = {"hysteresis": 0.3 + size, "gain": rng.uniform(42, 48), "bend": 4 * size * rng.uniform(-1, 1)}
        other |= {"low": 850, "high": 2150, "levels": 53}
        stated = math.hypot(noise_deg, STEP_DEG / math.sqrt(12))
        true_a, true_b = (stroke_of({"stroke_curve": stroke_table(**shape)}) for shape in (one, other))
        seen_a, seen_b = (
            stroke_of({"stroke_curve": noisy(stroke_table(**shape, u=stated), rng, noise_deg)})
            for shape in (one, other)
        )
        t = trim(seen_a, seen_b)
        pulse = true_a.command_us + np.interp(true_a.command_us, t.command_us, t.curve_us)
        bests.append(best_possible(true_a, true_b, t.command_us))
        ratios.append(left_over(true_a, true_b, pulse) / bests[-1])
    ratio, best = np.array(ratios), np.array(bests)
    print(f"mismatch after trim / best possible with 9 points, {cases} pairs, noise of a reading {noise_deg} deg")
    edges = np.array([0, 3, 10, 30, np.inf]) * (noise_deg or 1e-9)
    for low, high in pairwise(edges):
        there = (best >= low) & (best < high)
        if there.any():
            span = "noise 0" if not noise_deg else f"best {low / noise_deg:3.0f} to {high / noise_deg:3.0f} x noise"
            print(
                f"  {span}: {there.sum():4d} pairs, median {np.median(ratio[there]):.3f}, 95 % "
                f"{np.quantile(ratio[there], 0.95):.3f}, largest {ratio[there].max():.3f}; "
                f"excess 95 % {np.quantile(((ratio - 1) * best)[there], 0.95):.4f} deg"
            )


def left_over(a: Stroke, b: Stroke, pulse: np.ndarray) -> float:
    """Largest true mismatch in both directions with these pulses for the follower."""
    return float(
        np.nanmax(np.fmax(np.abs(b.up(pulse) - a.up(a.command_us)), np.abs(b.down(pulse) - a.down(a.command_us))))
    )


def best_possible(a: Stroke, b: Stroke, knots: np.ndarray) -> float:
    """Least largest mismatch by a linear program over the true curves at every place; the curves bend but little."""
    at = a.command_us
    ideal = b.command_for(a.mid(at)) - at
    rate = np.interp(at + ideal, b.command_us, np.gradient(b.mid_deg, b.command_us))
    hats = np.column_stack([np.interp(at, knots, e) for e in np.eye(knots.size)]) * rate[:, None]
    rows, sides = [], []
    for gap in (b.up(at + ideal) - a.up(at), b.down(at + ideal) - a.down(at)):
        ok = np.isfinite(gap)
        for sign in (1, -1):
            rows.append(np.column_stack([sign * hats[ok], -np.ones(ok.sum())]))
            sides.append(sign * (ideal * rate - gap)[ok])
    free = [(None, None)] * knots.size
    found = linprog([0] * knots.size + [1], np.vstack(rows), np.concatenate(sides), bounds=[*free, (0, None)])
    return float(found.fun)


def wrong_acceptance(cases: int) -> None:
    """Values whose true difference is the tolerance: how often they are accepted (5 % is allowed)."""
    rng = np.random.default_rng(1606)
    for what, (u_a, u_b), n, rho in (
        ("equal uncertainties, well known", (0.08, 0.08), None, 0.0),
        ("unequal uncertainties 1:5", (0.02, 0.10), None, 0.0),
        ("5 readings each", (0.08, 0.08), 5, 0.0),
        ("5 readings each, unequal 1:5", (0.02, 0.10), 5, 0.0),
        ("3 and 3 readings, unequal 1:5", (0.02, 0.10), 3, 0.0),
        ("errors correlated +0.5 (one bench)", (0.08, 0.08), None, 0.5),
        ("errors correlated -0.3 (not assumed)", (0.08, 0.08), None, -0.3),
    ):
        z = rng.multivariate_normal([0, 0], [[1, rho], [rho, 1]], cases)
        a, b = u_a * z[:, 0], 0.5 + u_b * z[:, 1]
        nu = None if n is None else n - 1
        s = np.array([u_a, u_b]) * (1 if nu is None else np.sqrt(rng.chisquare(nu, (cases, 2)) / nu))
        hits = 0
        for k, (ua, ub) in enumerate(np.broadcast_to(s, (cases, 2))):
            gap = difference(estimate(a[k], ua, "deg", nu), estimate(b[k], ub, "deg", nu))
            hits += judge_difference("centre_deg", "", gap, 0.5, "", PROCEDURES.servo.rule)[0].verdict == "accept"
        print(f"wrong acceptance at the tolerance, {what}: {100 * hits / cases:.2f} % of {cases}")


def wrong_acceptance_of_strokes(cases: int) -> None:
    """The tolerance is set to the true mismatch that the trim found leaves: how often the pair is accepted."""
    for levels, (u_a, u_b) in itertools.product((3, 9, 41), ((0.05, 0.05), (0.02, 0.08))):
        rng, hits = np.random.default_rng(1707), 0
        for k in range(cases):
            one = {"hysteresis": 0.2, "levels": levels, "u": u_a}
            other = {
                "hysteresis": 0.2 + 0.6 * (k % 2),
                "levels": levels,
                "u": u_b,
                "gain": 44,
                "low": 950,
                "high": 2050,
            }
            tables = [stroke_table(**one), stroke_table(**other)]
            if k % 2 == 0:  # a mismatch at one place only, the hardest case
                tables[1].loc[levels // 2, "position_up_deg"] -= 0.3
                tables[1].loc[levels // 2, "position_down_deg"] += 0.3
            true_a, true_b = (stroke_of({"stroke_curve": x}) for x in tables)
            a, b = (
                stroke_of({"stroke_curve": noisy(x.copy(), rng, u)}) for x, u in zip(tables, (u_a, u_b), strict=True)
            )
            t = trim(a, b)
            at = t.at_us[t.common]
            pulse = np.clip(at + np.interp(at, t.command_us, t.curve_us), *t.stops_us)
            gaps = [true_b.up(pulse) - true_a.up(at), true_b.down(pulse) - true_a.down(at)]
            limit = float(np.nanmax(np.abs(gaps)))
            finding, _ = judge_difference(
                "stroke_mismatch_deg", "", estimate(t.worst[0], t.u_deg, "deg"), limit, "", PROCEDURES.servo.rule
            )
            hits += finding.verdict == "accept"
        print(
            f"wrong acceptance of ganged servos at the tolerance, {levels} levels, u {u_a} and {u_b} deg: "
            f"{100 * hits / cases:.2f} % of {cases}"
        )


if __name__ == "__main__":
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    speed(min(n, 30))
    whole_job(min(n, 3))
    pairs_against_networkx(min(n, 20))
    for noise in (0.0, 0.004, 0.04):
        trimming(n, noise)
    wrong_acceptance(200 * n)
    wrong_acceptance_of_strokes(20 * n)
    exactness(10 * n)
