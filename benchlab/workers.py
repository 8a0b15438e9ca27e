"""Several bundles at once, each in a process of its own; what an earlier run kept is taken up instead."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, ThreadPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace

from benchlab import kept
from benchlab.airframe import Airframe
from benchlab.bundles import Bundle, Done, Job, bundles_of, do_bundle
from benchlab.errors import BenchlabError
from benchlab.interrupts import held
from benchlab.pace import Progress, silent

_FEW = 3
"""So many logs are named one by one while they are read."""
_TICK_S = 0.1
"""So often whoever watches is told that the work goes on: no thread may do that while workers are forked."""


def do_bundles(
    job: Job, jobs: int, progress: Progress = silent, meanwhile: Callable[[], None] = lambda: None
) -> Done:  # fmt: skip
    """Read and analyse all parts that have logs, up to ``jobs`` bundles at once; the result does not depend on it.

    ``meanwhile``: done once by this process while the workers are busy.

    Raises
    ------
    BenchlabError
        If a worker was ended from outside.
    """
    bundles = bundles_of(job.airframe)
    cost = {b: 0.2 * len(b.parts) + sum(_size(job.airframe, n) for n in b.logs) / 25e6 for b in bundles}
    hopeful = [b for b in bundles if kept.may_be_kept(job, b)]
    found: dict[Bundle, Done] = {}
    logs = list(job.airframe.log_paths())
    what, share = f"reading and analysing {', '.join(logs) if len(logs) <= _FEW else f'{len(logs)} logs'}", 0.0
    progress(what, share)
    for item in _each_done(job, [b for b in bundles if b not in hopeful], hopeful, cost, jobs, meanwhile):
        if item is not None:
            bundle, done = item
            found[bundle] = done
            share = 0.9 * sum(cost[b] for b in found) / sum(cost.values())
            left = len(bundles) - len(found)
            what = f"analysed {', '.join(bundle.parts)}{f'; {left} more to go' if left else ''}"
        progress(what, share)
    whole = Done()
    for done in (found[b] for b in bundles):
        whole.reads.update(done.reads)
        whole.analyses.update(done.analyses)
        whole.means.update(done.means)
        whole.faults.extend(done.faults)
    return whole


def _each_done(
    job: Job,
    fresh: Sequence[Bundle],
    hopeful: Sequence[Bundle],
    cost: Mapping[Bundle, float],
    jobs: int,
    meanwhile: Callable[[], None],
) -> Iterator[tuple[Bundle, Done] | None]:
    """Yield each bundle with what came of it, in the order in which they are done; now and then None: still at it."""
    if jobs <= 1 or len(fresh) <= 1:
        for bundle in fresh:
            yield bundle, _fresh(job, bundle)
        yield from _taken_up(job, hopeful, jobs, meanwhile)
        return
    # forked, a worker begins with everything loaded; that is safe on Linux, and before this process uses threads
    context = multiprocessing.get_context("fork" if sys.platform == "linux" else "spawn")
    with ProcessPoolExecutor(min(jobs, len(fresh)), mp_context=context, initializer=_begin) as pool:
        try:
            with held():
                if job.airframe.register.circuit:
                    import scipy.optimize  # loaded once here, not again in every worker
                # the longest first, so that none is left with it at the end
                coming = {pool.submit(_fresh, job, b): b for b in sorted(fresh, key=lambda b: -cost[b])}
                if job.airframe.register.group:  # the matching needs these: loaded while the workers are busy
                    import scipy.interpolate
                    import scipy.optimize  # noqa: F401
            yield from _taken_up(job, hopeful, jobs, meanwhile)
            while coming:
                ended = wait(coming, timeout=_TICK_S, return_when=FIRST_COMPLETED).done
                if not ended:
                    yield None
                for future in ended:
                    yield coming.pop(future), future.result()
        except BrokenProcessPool:
            raise BenchlabError(
                "a worker was ended from outside, perhaps for want of memory", do="run again with --jobs 1"
            ) from None
        except BaseException:
            for worker in multiprocessing.active_children():
                worker.terminate()
            # one that ended within its answer leaves the pool waiting for the rest, as long as this process, too, could
            # write it
            pool._result_queue._writer.close()  # type: ignore[attr-defined]
            raise


def _fresh(job: Job, bundle: Bundle) -> Done:
    done = do_bundle(job, bundle)
    kept.keep(job, bundle, done)
    return replace(done, observed={})


def _begin() -> None:
    """Let Ctrl-C, which the terminal sends to the workers too, end a worker without a word."""
    signal.signal(signal.SIGINT, lambda *_: os._exit(130))


def _taken_up(
    job: Job, bundles: Sequence[Bundle], jobs: int, meanwhile: Callable[[], None]
) -> Iterator[tuple[Bundle, Done]]:  # fmt: skip
    """Take up what an earlier run kept; checksums are made in threads, which Python's lock does not hinder."""
    if not bundles:
        meanwhile()
        return
    with ThreadPoolExecutor(max(jobs, 1)) as pool:
        coming = pool.map(lambda b: kept.take_up(job, b), bundles)
        meanwhile()
        for bundle, done in zip(bundles, coming, strict=True):
            yield bundle, done or _fresh(job, bundle)


def _size(airframe: Airframe, name: str) -> int:
    path, _ = airframe.log_paths()[name]
    return path.stat().st_size if path.is_file() else 0


def usable_cores() -> int:
    """How many processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
