"""What the rows of servos' logs showed, kept for the next run: then only the judging is done again."""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd
import pyarrow as pa
import scipy

from benchlab import cache, checksums
from benchlab.airframe import Servo
from benchlab.bundles import Bundle, Done, Job, on_circuits
from benchlab.logs.table import Column, ReadLog
from benchlab.results import Estimate, Event, Trend
from benchlab.servo.analyse import judge_servo
from benchlab.servo.observe import Observed
from benchlab.stats.trend import Step, TrendFit

_TYPES = (ReadLog, Column, Observed, TrendFit, Trend, Estimate, Event, Step)
"""Dataclasses that a kept file may hold."""


def key_of(job: Job, bundle: Bundle) -> str | None:
    """Name of the file that keeps a bundle of servos: made of all that its content depends on; None: not kept."""
    parts = [job.airframe.register.parts[i] for i in bundle.parts]
    if job.kept is None or not all(isinstance(p, Servo) and p.logs for p in parts):
        return None
    try:
        logs = [
            (name, kind, help_.model_dump() if (help_ := job.airframe.register.logs.get(name)) else None,
             cache.quick_mark(path))
            for name in bundle.logs for path, kind in [job.airframe.log_paths()[name]]
        ]  # fmt: skip
    except OSError:
        return None
    servos = [(p.id, p.logs, p.label, getattr(p, "supply_v", None), p.id in on_circuits(job.airframe)) for p in parts]
    versions = [sys.version, np.__version__, pd.__version__, pa.__version__, scipy.__version__]
    return cache.key_of([logs, servos, _without_limits(job.procedures.model_dump()), versions])


def _without_limits(settings: object) -> object:
    if isinstance(settings, dict):
        return {k: _without_limits(v) for k, v in settings.items() if k != "limits"}
    return settings


def keep(job: Job, bundle: Bundle, done: Done) -> None:
    """Keep what was read of a bundle of servos, if all of them could be observed."""
    whole = len(done.observed) == len(bundle.parts)
    if whole and job.kept is not None and (key := key_of(job, bundle)) is not None:
        cache.store(job.kept, key, [done.reads, done.observed, done.means])


def may_be_kept(job: Job, bundle: Bundle) -> bool:
    """Whether something lies under the bundle's name; whether it is whole and of these logs, ``take_up`` tells."""
    return job.kept is not None and (key := key_of(job, bundle)) is not None and cache.is_kept(job.kept, key)


def take_up(job: Job, bundle: Bundle) -> Done | None:
    """Judge a bundle of servos anew from what an earlier run kept, if its logs are the same to the last bit."""
    if job.kept is None or (key := key_of(job, bundle)) is None:
        return None
    kept = cache.fetch(job.kept, key, _TYPES)
    if kept is None:
        return None
    reads, observed, means = kept
    if any(checksums.sha256_of(job.airframe.log_paths()[name][0]) != read.sha256 for name, read in reads.items()):
        return None
    done = Done(reads=reads, means=means)
    for id_ in bundle.parts:
        part = job.airframe.register.parts[id_]
        assert isinstance(part, Servo)
        events = [e for name in part.logs for e in reads[name].events]
        done.analyses[id_] = judge_servo(observed[id_], part, job.procedures.servo, events, part.logs)
    return done
