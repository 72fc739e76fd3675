"""``python -m quietfloor.bench.validate.after_earlier``: how soon is a response found after an earlier run of the same ear?

Example: python -m quietfloor.bench.validate.after_earlier --runs 400 --seed 1

Each ear has two runs with other noise. The first goes on until a given residual noise is left, and its average is what the
bets of the second one begin with. Sweeps are compared with those of an oracle that knows the response and the noise, on the same
sweeps; in brackets the 95 % interval (two standard errors). The rows after it: what a wrong earlier run costs, and how often a
response is found where there is none now, exact interval. Gaussian noise of 2 uV; the bench's wave V, from 6 to 8.5 ms.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass

import numpy as np

from quietfloor.bench.simulate.intervals import proportion
from quietfloor.bench.simulate.noises import NOISES, Floats, NoiseSource, Presentation, run_seeds
from quietfloor.bench.simulate.responses import Response
from quietfloor.bench.simulate.simulate import ORACLE, Setup, chain, simulate
from quietfloor.monitor.core.analysis import RunningAnalysis
from quietfloor.monitor.storage.run_folder import jsonable

BATCH = 100
NOISE = "gaussian"


@dataclass(frozen=True)
class Case:
    """A first run and what was different in it: a response so many times as large, so much later; size 0: none now."""

    name: str
    earlier: bool = True
    times: float = 1.0
    later_ms: float = 0.0
    silent: bool = False


CASES = (
    Case("no earlier run", earlier=False),
    Case("the same response"),
    Case("a response of 1.5 times the size, 0.3 ms sooner", times=1.5, later_ms=-0.3),
    Case("wrong: 1.5 ms later", later_ms=1.5),
    Case("wrong: no response in the earlier run", times=0.0),
    Case("no response now", silent=True),
)


@dataclass(frozen=True)
class Result:
    """Mean sweeps of those that ended with a response or at the limit; ``ratio`` over the oracle's, ``half`` of its interval."""

    case: str
    runs: int
    found: int
    sweeps: float
    oracle: float
    ratio: float
    half: float


def earlier_run(
    waves_uv: Floats, setup: Setup, left_nv: float, seeds: Sequence[np.random.SeedSequence]
) -> tuple[Floats, Floats]:
    """Averages (R, P) over the window in uV when the noise had come down to ``left_nv``, and their weights (R,) in 1/uV2."""
    analysis = RunningAnalysis(setup.analysis(chain("evidence", setup).rules), (len(waves_uv),), frozenset())
    source = NoiseSource(NOISES[NOISE], setup.grid, Presentation(), seeds)
    average: Floats = np.zeros((len(waves_uv), len(analysis.settings.window_times_ms)))
    noise_nv = np.full(len(waves_uv), np.inf)
    while (noise_nv > left_nv).any():
        look = analysis.update((source.unit() + waves_uv[:, np.newaxis]).astype(np.float64), source.usable).look
        assert look is not None
        going = noise_nv > left_nv
        average[going] = analysis.settings.window.of(analysis.average.average_uv())[going]
        noise_nv[going] = np.nan_to_num(look.figures.residual_noise_nv, nan=np.inf)[going]
    return average, (1e3 / noise_nv) ** 2


def measure(case: Case, runs: int, size_nv: float, left_nv: float, seed: int, setup: Setup) -> Result:
    ends: list[float] = []
    oracle: list[float] = []
    found = 0
    for first in range(0, runs, BATCH):
        numbers = range(first, min(first + BATCH, runs))
        waves = Response(size_nv).waves_uv(setup.grid, run_seeds(seed, "response", numbers))
        before = None
        if case.earlier:
            times = setup.grid.times_ms
            moved = case.times * np.array([np.interp(times - case.later_ms, times, wave, left=0.0, right=0.0) for wave in waves])
            before = earlier_run(moved, setup, left_nv, run_seeds(seed, "earlier", numbers))
        settings = setup.analysis(())
        source = NoiseSource(NOISES[NOISE], setup.grid, Presentation(), run_seeds(seed, NOISE, numbers))
        covariance = NOISES[NOISE].covariance_uv2(setup.grid, len(settings.window_times_ms))
        now = np.zeros_like(waves) if case.silent else waves
        decided = simulate(source, now, setup, [chain("evidence", setup)], covariance, early=True, earlier=before).decided
        found += int((decided["evidence"].outcome == 0).sum())
        ends += decided["evidence"].sweeps.tolist()
        oracle += decided[ORACLE].sweeps.tolist() if ORACLE in decided else [math.nan] * len(numbers)
    own, best = np.array(ends), np.array(oracle)
    ratio = float(own.mean() / best.mean())
    half = 2.0 * float((own - ratio * best).std(ddof=1) / best.mean()) / math.sqrt(runs) if runs > 1 else math.nan
    return Result(case.name, runs, found, float(own.mean()), float(best.mean()), ratio, half)


def parser() -> argparse.ArgumentParser:
    out = argparse.ArgumentParser(
        prog="python -m quietfloor.bench.validate.after_earlier",
        description=__doc__,
        formatter_class=argparse.RawTextHelpFormatter,
    )
    add = out.add_argument
    add("--runs", type=int, default=400, metavar="N", help="of each row (%(default)s)")
    add("--size-nv", type=float, default=300.0, metavar="NV", help="of the response, peak to trough (%(default)g)")
    add("--left-nv", type=float, default=65.0, metavar="NV", help="noise left in the earlier run (%(default)g)")
    add("--seed", type=int, default=1, metavar="S", help="(%(default)s)")
    add("--json", action="store_true", help="one JSON object on standard output")
    return out


def main(arguments: Sequence[str] | None = None) -> int:
    options = parser().parse_args(arguments)
    for name, low, high in (("runs", 2, 100_000), ("size_nv", 10.0, 5000.0), ("left_nv", 10.0, 1000.0), ("seed", 0, math.inf)):
        if not low <= getattr(options, name) <= high:
            sys.stderr.write(f"--{name.replace('_', '-')} {getattr(options, name)} is outside {low:g} to {high:g}\n")
            return 2
    setup = Setup()
    results = []
    for case in CASES:
        one = measure(case, options.runs, options.size_nv, options.left_nv, options.seed, setup)
        results.append(one)
        rate = proportion(one.found, one.runs)
        said = f"found in {100 * rate.rate:.2f} % ({100 * rate.low:.2f} to {100 * rate.high:.2f})"
        if not case.silent:
            low, high = one.ratio - one.half, one.ratio + one.half
            said = f"{one.sweeps:6.0f} sweeps, {one.ratio:.2f} times the oracle's ({low:.2f} to {high:.2f})"
        (sys.stderr if options.json else sys.stdout).write(f"{case.name:50} {said}\n")
    if options.json:
        sys.stdout.write(json.dumps(jsonable({"cases": [asdict(one) for one in results]})) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
