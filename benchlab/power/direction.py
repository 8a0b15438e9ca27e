"""Which way the current flows, out of the pack or into it: as the log's own words and the voltage show it.

A log may count discharge as positive or as negative, or write both ways without a sign. Every stretch of flow between
two rests is asked: does the voltage fall as the current sets in, rise as it stops, fall while it lasts (discharge), or
the other way round (charge); and what does the log call it? A stretch whose answers contradict each other says nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from benchlab.power.record import Array, Mask, Record

Word = Literal["as logged", "reversed", "without sign", "unclear", "unknown"]

_REST_SHARE = 0.02
"""Less than this share of the current's 95 % quantile is rest."""
_LARGE_CHANGES, _LEAST_ANSWERS, _CLEAR = 0.1, 20, 0.9
"""The largest tenth of the changes is asked; so many answers and this share of them alike settle it."""
_FOLLOWS = 0.3
"""Correlation of the sizes of the changes of voltage and current from which the one follows the other."""
_HIGH_SHARE = 0.9
"""Voltages are compared over time at currents above this share of the stretch's highest."""
_LEAST_CHANGE = 0.015
"""A slow change of the voltage tells the direction from this share of it on: bench supplies drift by less."""
_SWITCHED_OFF = 0.5
"""A voltage at rest below this share of that under load was switched off, not relieved."""
_FEW, _MOST = 0.05, 0.9
"""Shares of the charge: what is neglected, and what must be known before single stretches are turned."""

_CHARGE = ("charg", "chg", "cc chg", "cccv chg", "cc charge", "cccv charge", "cv charge", "laden", "ladung")
_DISCHARGE = ("discharg", "dischg", "dchg", "cc discharg", "cc dchg", "dis", "entlad")


@dataclass(frozen=True, slots=True, kw_only=True)
class Direction:
    """What was found. ``factor`` turns the logged current into one that is positive out of the pack."""

    word: Word
    factor: Array | float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stretches:
    """Runs of rows in which the current flows one way; arrays have one entry per run."""

    first: NDArray[np.intp]
    last: NDArray[np.intp]
    way: Array
    """Sign of the logged current."""
    charge: Array
    """Size of the charge, A s."""


def find_direction(record: Record) -> Direction:
    """Find the direction of flow; ``unknown`` where nothing tells, ``unclear`` where parts flow against each other."""
    flow = _stretches(record)
    total = float(flow.charge.sum())
    if total <= 0:
        return Direction(word="unknown", factor=1.0)
    out = _votes(record, flow)  # +1 out of the pack, -1 into it, 0 not known
    agree, against = (float(flow.charge[out * flow.way == s].sum()) for s in (1, -1))
    known = agree + against
    if known < total / 2:
        return _by_prompt_answer(record, flow)
    if against < _FEW * known:
        return Direction(word="as logged", factor=1.0)
    if agree < _FEW * known:
        return Direction(word="reversed", factor=-1.0)
    if min(float(flow.charge[flow.way == s].sum()) for s in (1, -1)) > 0.01 * total:
        return _by_prompt_answer(record, flow)
    if known < _MOST * total:
        return Direction(word="unclear", factor=1.0)
    factor = np.ones(len(record.current_a))
    for a, b, turn in zip(flow.first, flow.last, out * flow.way < 0, strict=True):
        if turn:
            factor[a : b + 1] = -1.0
    return Direction(word="without sign", factor=factor)


def _by_prompt_answer(record: Record, flow: _Stretches) -> Direction:
    """Tell the direction from how the voltage answers the larger changes of the current, whatever flowed before.

    Answers of both kinds, of a voltage that does follow the current, to a current that only flows one way are those of
    one without its sign: ``unclear``. A voltage that rises with a current that only flows out is that of a supply that
    drives its load: not told.
    """
    unknown = Direction(word="unknown", factor=1.0)
    step, answer = linked_changes(record)
    follows = correlation(np.abs(step), np.abs(answer))
    if follows < _FOLLOWS:
        return unknown
    common, rare = np.quantile(np.abs(step), [1 - _LARGE_CHANGES, 0.995])
    least = max(float(common), 0.3 * float(rare))  # most rows of a pulsed load show no change at all
    large = (np.abs(step) >= least) & (step * answer != 0)
    if large.sum() < _LEAST_ANSWERS:
        return unknown
    falls = float((step[large] * answer[large] < 0).mean())
    out, into = (float(flow.charge[flow.way == s].sum()) for s in (1, -1))
    one_way = min(out, into) <= 0.01 * (out + into)
    # so often noise in the voltage turns round its answer to the least of the large changes
    by_noise = float(ndtr(-least / float(np.std(step)) * follows / math.sqrt(max(1 - follows**2, 1e-9))))
    if one_way and _FEW / 2 + 2 * by_noise < falls < 1 - _FEW / 2 - 2 * by_noise:
        return Direction(word="unclear", factor=1.0)
    if falls >= _CLEAR:
        return Direction(word="as logged", factor=1.0)
    return Direction(word="reversed", factor=-1.0) if falls <= 1 - _CLEAR and into > _FEW * (into + out) else unknown


def linked_changes(record: Record) -> tuple[Array, Array]:
    """Changes of current and voltage from row to row, where both are known."""
    if record.voltage_v is None:
        return np.zeros(0), np.zeros(0)
    linked = (record.interval_s > 0) & np.isfinite(np.diff(record.voltage_v))
    return np.diff(record.current_a)[linked], np.diff(record.voltage_v)[linked]


def correlation(x: Array, y: Array) -> float:
    """Coefficient of correlation; 0 where one of them does not change."""
    if len(x) < 3 or np.ptp(x) == 0 or np.ptp(y) == 0:
        return 0.0
    return float(np.corrcoef(x, y)[0, 1])


def _stretches(record: Record) -> _Stretches:
    i, named = record.current_a, _named(record)
    rest = max(_REST_SHARE * float(np.quantile(np.abs(i), 0.95)), 3 * record.current.noise)
    way = np.where(np.abs(i) > rest, np.sign(i), 0.0)
    breaks = (np.diff(way) != 0) | (np.diff(named) != 0) | (record.interval_s <= 0)
    edge = np.concatenate([[0], np.flatnonzero(breaks) + 1, [len(i)]]).astype(np.intp)
    first, last = edge[:-1], edge[1:] - 1
    charge = np.add.reduceat(np.abs(i) * record.seconds, first)
    flows = (way[first] != 0) & (charge > 0)
    return _Stretches(first=first[flows], last=last[flows], way=way[first][flows], charge=charge[flows])


def _named(record: Record) -> Array:
    """+1 where the log calls the row a discharge, -1 where it calls it a charge, else 0."""
    if record.phase is None:
        return np.zeros(len(record.current_a))
    names, place = np.unique(record.phase, return_inverse=True)
    return np.asarray([_meaning(str(name)) for name in names])[place]


def _meaning(name: str) -> float:
    word = " ".join(name.casefold().replace("_", " ").replace("-", " ").split())
    return 1.0 if word.startswith(_DISCHARGE) else -1.0 if word.startswith(_CHARGE) else 0.0


def _votes(record: Record, flow: _Stretches) -> Array:
    """Direction of every stretch on which all that says something agrees."""
    votes = [_named(record)[flow.first]]
    if record.voltage_v is not None and record.voltage is not None:
        known = np.flatnonzero(np.isfinite(record.voltage_v))
        v = np.interp(np.arange(len(record.voltage_v)), known, record.voltage_v[known])
        least = max(6 * np.sqrt(2) * record.voltage.noise, 2 * record.voltage.step)
        votes += _edge_votes(record, flow, v, least)
        votes.append(_slow_vote(record, flow, v, max(least, _LEAST_CHANGE * float(np.median(v)))))
    ballot = np.array(votes)
    up, down = (ballot > 0).any(axis=0), (ballot < 0).any(axis=0)
    return np.where(up & ~down, 1.0, np.where(down & ~up, -1.0, 0.0))


def _edge_votes(record: Record, flow: _Stretches, v: Array, least: float) -> list[Array]:
    """Fall of the voltage as a stretch begins, rise as it ends, where a rest is next to it."""
    n = len(v)
    flows: Mask = np.zeros(n, dtype=bool)
    for a, b in zip(flow.first, flow.last, strict=True):
        flows[a : b + 1] = True
    out = []
    for inside, outside, deeper in ((flow.first, flow.first - 1, 2), (flow.last, flow.last + 1, 0)):
        there = (outside >= 0) & (outside < n)
        beside = np.clip(outside, 0, n - 1)
        there &= ~flows[beside] & (record.interval_s[np.clip(np.minimum(inside, outside), 0, n - 2)] > 0)
        under = v[np.minimum(inside + deeper, flow.last)]
        fall = v[beside] - under
        told = there & (np.abs(fall) > least) & (v[beside] > _SWITCHED_OFF * under)
        out.append(np.where(told, np.sign(fall), 0.0))
    return out


def _slow_vote(record: Record, flow: _Stretches, v: Array, least: float) -> Array:
    """Fall of the voltage from the first to the last time that the current is high in a stretch."""
    size = np.abs(record.current_a)
    out = np.zeros(len(flow.first))
    for k, (a, b) in enumerate(zip(flow.first, flow.last, strict=True)):
        if b - a < 4:
            continue
        high = a + np.flatnonzero(size[a : b + 1] > _HIGH_SHARE * size[a : b + 1].max())
        course = v[high[1:]]
        if len(course) < 3:
            continue
        fall = float(course[0] - course[-1])
        # a voltage that jumps was set, or answers the load: it tells no direction
        slow = abs(fall) > 2 * float(np.abs(np.diff(course)).max())
        out[k] = np.sign(fall) if slow and abs(fall) > least else 0.0
    return out
