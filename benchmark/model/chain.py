"""Chains of the sampler: run them, one in this process and the others beside it, and join them.

A chain beside runs as `python -m benchmark.model.chain`, which reads its task from standard
input and writes its draws to standard output, so that it works from a script, the app and a
notebook alike and ends with its parent.
"""

from __future__ import annotations

import atexit
import pickle
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from threadpoolctl import threadpool_limits

from benchmark.errors import FitFailed
from benchmark.model.gibbs import SD_GROUPS, Gibbs, Known
from benchmark.model.priors import Priors
from benchmark.model.structure import JOINT, Structure
from benchmark.trade.classes import AREAS

Arrays = dict[str, np.ndarray]
Progress = Callable[[float, str], None]
NOISE = ("sigma", "tau", "tau_centre", "tau_spread", "slow", "gross", "shares")
# Below this many laps a second process costs more than it saves.
SMALL = 300


@dataclass(frozen=True)
class Task:
    """One chain to run."""

    structure: Structure
    priors: Priors
    warm_up: int
    keep: int
    seed: tuple[int, int]
    known: Known | None = None


def run_chain(task: Task, progress: Progress | None = None) -> Arrays:
    """Run one chain and return its kept draws by name (see `model.fit.Draws.arrays`)."""
    rng = np.random.default_rng(task.seed)
    # The systems are small: a second thread of the linear algebra costs more than it gives.
    with threadpool_limits(limits=1):
        chain = Gibbs(task.structure, task.priors, rng, task.known)
        draws: dict[str, list[np.ndarray]] = {}
        total = task.warm_up + task.keep
        for sweep in range(total):
            if sweep == task.warm_up:
                chain.settle()
            chain.sweep()
            if sweep >= task.warm_up:
                for name, value in snapshot(chain).items():
                    draws.setdefault(name, []).append(value)
            if progress is not None:
                progress((sweep + 1) / total, "drawing")
    return {name: np.stack(values) for name, values in draws.items()}


def snapshot(chain: Gibbs) -> Arrays:
    """Return the chain's state as arrays, one draw of each."""
    effects, noise = chain.now.effects, chain.now.noise
    out = {"run_effects": effects.run.copy(), "lap_effects": effects.lap.copy()}
    for group in JOINT:
        out[f"groups/{group}"] = effects.joint[chain.solver.slices[group]].astype(np.float32)
    out["groups/build_day"] = effects.build_day.astype(np.float32)
    out["groups/outing"] = effects.outing.astype(np.float32)
    out.update({f"sds/{g}": np.float64(chain.now.sd[g]) for g in SD_GROUPS})  # type: ignore[misc]
    out.update({f"noise/{n}": np.asarray(getattr(noise, n)) for n in NOISE})
    for number in chain.numbers:
        if number.unit_names:
            out[f"unknown/{number.name}"] = number.fact(chain.state).astype(np.float32)
    out["unknown/driver_level"] = chain.driver_level.value.astype(np.int8)
    out["unknown/natural"] = chain.induction.value.astype(np.int8)
    out["unknown/levels"] = chain.modification.value.astype(np.int8)
    return out


def unknown_names(s: Structure, chain: Gibbs) -> dict[str, list[tuple[str, ...]]]:
    """Name the units of every fact that nobody recorded, in the order of the draws."""
    names: dict[str, list[tuple[str, ...]]] = {
        name: [] for name in ("log_density", "track_c", "cycles", "log_treadwear")
    }
    names.update({n.name: n.unit_names for n in chain.numbers if n.unit_names})
    drivers, builds = s.levels["driver"], s.levels["build"]
    names["driver_level"] = [drivers[k] for k in chain.driver_level.drivers]
    names["natural"] = [builds[k] for k in chain.induction.builds]
    units = zip(chain.modification.build, chain.modification.area, strict=True)
    names["levels"] = [(*builds[b], AREAS[a]) for b, a in units]
    return names


def run_chains(tasks: list[Task], progress: Progress | None = None) -> list[Arrays]:
    """Run chains at the same time, the first here and the others each in a process of its own."""
    if len(tasks[0].structure.log_time) < SMALL:
        return [run_chain(task, _shared(progress, k, len(tasks))) for k, task in enumerate(tasks)]
    beside = [_start(task) for task in tasks[1:]]
    try:
        with ThreadPoolExecutor(max(len(beside), 1)) as pool:
            waiting = [pool.submit(_finish, process, data) for process, data in beside]
            try:
                first = run_chain(tasks[0], progress)
            except BaseException:
                _stop(beside)
                raise
            return [first, *(future.result() for future in waiting)]
    finally:
        _stop(beside)


def _shared(progress: Progress | None, k: int, n: int) -> Progress | None:
    """Give chain k of n its share of the progress."""
    if progress is None:
        return None
    return lambda done, what: progress((k + done) / n, what)


# Processes that were started ahead and wait for a task: starting one takes a second or two.
_waiting: list[subprocess.Popen[bytes]] = []


def prepare() -> None:
    """Start the process of a second chain ahead, while laps are still being read."""
    if not _waiting:
        _waiting.append(_launch())


@atexit.register
def dismiss() -> None:
    """End a process that was started ahead and not needed."""
    while _waiting:
        process = _waiting.pop()
        process.kill()
        process.communicate()


def _launch() -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "benchmark.model.chain"]
    return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)  # noqa: S603


def _start(task: Task) -> tuple[subprocess.Popen[bytes], bytes]:
    return _waiting.pop() if _waiting else _launch(), pickle.dumps(task)


def _finish(process: subprocess.Popen[bytes], data: bytes) -> Arrays:
    out, _ = process.communicate(data)
    if process.returncode:
        raise FitFailed(f"a chain of the fit ended with status {process.returncode}: fit again")
    result: Arrays = pickle.loads(out)  # noqa: S301 - written by our own child
    return result


def _stop(beside: list[tuple[subprocess.Popen[bytes], bytes]]) -> None:
    for process, _ in beside:
        if process.poll() is None:
            process.kill()


def main() -> None:
    """Run the task on standard input and write its draws to standard output."""
    try:
        task = pickle.load(sys.stdin.buffer)  # noqa: S301 - written by our own parent
        sys.stdout.buffer.write(pickle.dumps(run_chain(task)))
    except KeyboardInterrupt:
        sys.exit(130)


if __name__ == "__main__":
    main()
