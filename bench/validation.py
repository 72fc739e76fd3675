"""``python -m bench.validation``: prove the error rate of stopping rules on noise that is known, or that was recorded."""

from __future__ import annotations

import argparse
import json
import math
import sys
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from monitor.core.artefacts import CRITERIA
from monitor.core.evidence import EvidenceSettings
from monitor.folder import RunFolder, jsonable
from monitor.plan import Plan, PlanError, load_plan
from monitor.sources.base import SourceError
from monitor.xdf import XdfError

from .intervals import runs_for_width
from .noises import NOISES, Grid, NoiseSource, Presentation, run_seeds
from .recordings import Recording, load
from .responses import SHAPES, Response
from .simulate import Setup, simulate
from .validation_plan import RECORDING, ValidationPlan
from .validation_report import as_json, targets_text, text, write
from .validation_tables import tables
from .validation_targets import targets
from .validation_work import ResumeError, work

DONE, FAILED, BAD_ARGUMENTS = 0, 1, 2
DEFAULT_RUNS, TARGET_RUNS, QUICK_RUNS, MOST_RESPONSE_RUNS = 1000, 5000, 200, 1000
TARGET_SIZES = (0.0, 150.0, 200.0, 300.0, 400.0)

EPILOG = """examples:
  quietfloor validate --quick                          a first impression, a minute or two
  quietfloor validate --targets                        what this program promises, measured: a quarter of an hour
  quietfloor validate --rules evidence,fsp:bonferroni,naive_fsp --noise gaussian,bursts --response 0,200,300
  quietfloor validate --recording quiet.xdf --channel Cz --plan plan.toml --width 0.006
  quietfloor validate --recording sessions/run-003     a muted run of your own rig, see below

Rules run side by side on the same noise. A rule with an error budget may name it: fsp:pocock (usual), fsp:bonferroni,
fsp:obrien_fleming, fsp:none. naive_fsp is a teaching example and is not valid.

Recorded noise: record some minutes without sound, with the person and electrodes of a real run, and give the file. For a live
muted loop make a run with `muted = true` under [sound] in its plan (the trigger goes out, the sound does not) and give its run
folder: its channel, unit and settings are taken from there. Pretended onsets are laid at random places.

Finished parts are kept in --out at once: the same command goes on after an interruption. The same seed gives the same report on
any number of cores.
exit status: 0 done (with --targets: every target met), 1 not done or a target missed, 2 wrong arguments"""


def parser() -> argparse.ArgumentParser:
    program = argparse.ArgumentParser(
        prog="quietfloor validate",
        description="False alarms, power and time to a decision of stopping rules, with exact intervals.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    what = program.add_argument_group("what")
    what.add_argument("--rules", type=_names, metavar="A,B", help="rules to compare (evidence,fsp,hotelling)")
    what.add_argument("--noise", type=_names, metavar="all|A,B", help=f"null sources (gaussian): {', '.join(NOISES)}")
    what.add_argument("--recording", type=Path, metavar="FILE", help="recorded noise: .xdf, .npz, .npy or a run folder")
    what.add_argument("--channel", metavar="C", help="label or number (from 1) in the recording")
    what.add_argument("--rate", type=float, metavar="HZ", help="sampling rate, where the file states none")
    what.add_argument("--unit", metavar="U", help="unit of the recording, where the file states none: uV, mV or V")
    what.add_argument("--response", type=_numbers, metavar="NV,NV", help="sizes in nV peak to trough; 0 is no response (0)")
    what.add_argument("--response-noise", type=_names, metavar="A,B", help="sources in which responses are tried (as --noise)")
    what.add_argument("--shape", choices=sorted(SHAPES), default="wave_v", help="waveform of responses (wave_v)")
    how_many = program.add_mutually_exclusive_group()
    how_many.add_argument("--runs", type=int, metavar="N", help=f"runs of each kind ({DEFAULT_RUNS}; --targets: {TARGET_RUNS})")
    how_many.add_argument("--width", type=float, metavar="W", help="as many as make the 95 %% interval at alpha this wide")
    how_many.add_argument("--quick", action="store_true", help=f"{QUICK_RUNS} runs of each kind, at most 2048 sweeps")
    program.add_argument("--targets", action="store_true", help="measure what is promised, and say what is met")
    settings = program.add_argument_group("settings of the runs")
    settings.add_argument("--plan", type=Path, metavar="FILE", help="take them from this plan; the options below go before it")
    settings.add_argument("--alpha", type=float, metavar="A", help="false alarms of the whole run (0.01)")
    settings.add_argument("--floor-nv", type=float, metavar="NV", help="noise at which a missing response is believed (15)")
    settings.add_argument("--max-sweeps", type=int, metavar="N", help="sweep limit (6144)")
    settings.add_argument("--look-every", type=int, default=256, metavar="N", help="looks of rules with an error budget (256)")
    settings.add_argument("--band", type=_pair, metavar="LOW,HIGH", help="pass band in Hz (100,1500)")
    settings.add_argument("--window", type=_pair, metavar="START,STOP", help="response window in ms (5,17)")
    settings.add_argument("--stimulus-rate", type=float, metavar="R", help="stimuli per second (47.1)")
    settings.add_argument("--schedule", choices=("pause", "fixed"), help="random pause after each unit, or a fixed rate (pause)")
    work_ = program.add_argument_group("work")
    work_.add_argument("--seed", type=int, default=1, metavar="S", help="the same seed gives the same report (1)")
    work_.add_argument("--jobs", type=int, default=-1, metavar="N", help="processes (-1: every core)")
    work_.add_argument("--cluster", metavar="ADDRESS", help="Dask scheduler, such as tcp://10.0.0.5:8786, instead of --jobs")
    work_.add_argument("--out", type=Path, default=Path("validation"), metavar="DIR", help="where results go (validation)")
    work_.add_argument("--cost", action="store_true", help="also time each rule alone (seconds a sweep; not in the reports)")
    work_.add_argument("--json", action="store_true", help="the results as one JSON object on standard output")
    return program


def _names(argument: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in argument.split(",") if part.strip())


def _numbers(argument: str) -> tuple[float, ...]:
    try:
        return tuple(float(part) for part in argument.split(","))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{argument!r}: give numbers with commas between them, such as 0,150,300") from None


def _pair(argument: str) -> tuple[float, float]:
    numbers = _numbers(argument)
    if len(numbers) != 2:
        raise argparse.ArgumentTypeError(f"{argument!r}: give two numbers with a comma, such as 100,1500")
    return numbers[0], numbers[1]


def plan_from(args: argparse.Namespace) -> ValidationPlan:
    """Raises ValueError and its kin for anything that cannot be validated."""
    own = _own_plan(args)
    recording = None
    epoch_ms = own.analysis.epoch_ms
    band = args.band or own.analysis.band_hz
    if args.recording is not None:
        recording = Recording(args.recording.resolve(), args.channel, args.rate, args.unit)
        grid = load(recording, band).grid(band, epoch_ms)
    else:
        grid = Grid(Grid.rate_hz, epoch_ms[0], math.floor((epoch_ms[1] - epoch_ms[0]) * 1e-3 * Grid.rate_hz + 1e-9) + 1, band)
    analysis, decision = own.analysis, own.decision
    peak, slope = CRITERIA
    max_sweeps = args.max_sweeps or (2048 if args.quick else decision.max_sweeps)
    setup = Setup(
        grid=grid,
        window_ms=args.window or analysis.window_ms,
        criteria=(
            replace(peak, times=analysis.reject_peak_times, ceiling=analysis.reject_peak_uv),
            replace(slope, times=analysis.reject_slope_times),
        ),
        evidence=EvidenceSettings(latency_ms=analysis.latency_ms),
        alpha=decision.alpha if args.alpha is None else args.alpha,
        floor_nv=decision.floor_nv if args.floor_nv is None else args.floor_nv,
        max_sweeps=max_sweeps,
        look_every=args.look_every,
    )
    sound = own.sound
    pause_s = 1e-3 * sound.random_pause_ms if sound else Presentation.pause_max_s
    presentation = Presentation(
        args.stimulus_rate or (sound.rate_per_s if sound else Presentation.rate_per_s),
        {None: pause_s, "fixed": 0.0, "pause": pause_s or Presentation.pause_max_s}[args.schedule],
    )
    usual = ("all",) if args.targets and recording is None else (RECORDING,) if recording is not None else ("gaussian",)
    sources = tuple(NOISES) if (args.noise or usual) == ("all",) else args.noise or usual
    if recording is not None and RECORDING not in sources:
        raise ValueError("a recording is its own source: leave out --noise, and validate synthetic noise by itself")
    runs = args.runs or (QUICK_RUNS if args.quick else TARGET_RUNS if args.targets else DEFAULT_RUNS)
    if args.width is not None:
        runs = runs_for_width(args.width, setup.alpha)
    sizes = args.response or (TARGET_SIZES if args.targets and recording is None else (0.0,))
    loud = args.response_noise or (("gaussian",) if args.targets and recording is None else sources)
    return ValidationPlan(
        rules=args.rules or (("evidence", "fsp") if args.targets else ("evidence", "fsp", "hotelling")),
        sources=sources,
        sizes_nv=sizes,
        response_sources=loud if any(sizes) else (),
        runs=runs,
        response_runs=min(runs, MOST_RESPONSE_RUNS) if args.targets else runs,
        seed=args.seed,
        setup=setup,
        presentation=presentation,
        response=Response(shape=args.shape),
        recording=recording,
    )


def _own_plan(args: argparse.Namespace) -> Plan:
    if args.plan is not None:
        return load_plan(args.plan)
    if args.recording is not None and args.recording.is_dir():
        folder = RunFolder.open(args.recording)
        if folder.plan.is_file():
            return load_plan(folder.plan)
    return Plan.model_validate({"stream": {}})


class Bar:
    """Progress on standard error: one line that is written over, or a line every tenth where nobody watches."""

    def __init__(self) -> None:
        self._began = time.monotonic()
        self._runs = 0
        self._said = -1
        self._live = sys.stderr.isatty()

    def __call__(self, done: int, total: int, runs: int) -> None:
        self._runs += runs
        tenth = 10 * done // max(total, 1)
        if not self._live and tenth == self._said and done < total:
            return
        self._said = tenth
        spent = time.monotonic() - self._began
        line = f"{done} of {total} parts"
        if self._runs and spent > 0:
            line += f", {self._runs / spent:.0f} runs/s"
        start, end = ("\r", "\n" if done == total else "") if self._live else ("", "\n")
        sys.stderr.write(f"{start}quietfloor: {line}   {end}")
        sys.stderr.flush()


def cost(plan: ValidationPlan) -> str:
    """Seconds of processor time that a sweep of a run costs, each rule alone, early and late in a run; noise apart."""
    lines = []
    name = next((source for source in plan.sources if source != RECORDING), "gaussian")
    runs = 50
    for sweeps in (1024, 4096):
        setup = replace(plan.setup, max_sweeps=sweeps, floor_nv=1.0)
        waves = np.zeros((runs, setup.grid.n_times))
        for one in plan.chains:
            source = NoiseSource(NOISES[name], setup.grid, plan.presentation, run_seeds(0, "cost", range(runs)))
            begin = time.process_time()
            for _ in range(setup.units):
                source.unit()
            noise_s = time.process_time() - begin
            source = NoiseSource(NOISES[name], setup.grid, plan.presentation, run_seeds(0, "cost", range(runs)))
            begin = time.process_time()
            simulate(source, waves, setup, [one])
            rule_s = time.process_time() - begin - noise_s
            each = runs * sweeps
            lines.append(
                f"{one.name:20} {sweeps:5} sweeps: {1e6 * rule_s / each:6.2f} us a sweep, noise {1e6 * noise_s / each:.2f} us"
            )
    return "\n".join(lines) + "\n"


def main(arguments: Sequence[str] | None = None) -> int:
    program = parser()
    args = program.parse_args(arguments)
    show = sys.stderr if args.json else sys.stdout
    try:
        plan = plan_from(args)
        sys.stderr.write(
            f"quietfloor: plan {plan.identity}, seed {plan.seed}, {plan.runs} runs of each kind, results in {args.out}\n"
        )
        found = tables(work(plan, args.out, args.jobs, args.cluster, Bar()))
    except KeyboardInterrupt:
        sys.stderr.write(f"\nquietfloor: interrupted; finished parts are in {args.out}, the same command goes on from there\n")
        return FAILED
    except (ValueError, PlanError, SourceError, XdfError, FileNotFoundError) as error:
        sys.stderr.write(f"quietfloor: {error}\n")
        return BAD_ARGUMENTS
    except (ResumeError, OSError, RuntimeError) as error:
        sys.stderr.write(f"quietfloor: {error}\n")
        return FAILED
    judged = targets(plan, found) if args.targets else []
    written = write(args.out, plan, found, judged)
    if args.json:
        sys.stdout.write(json.dumps(jsonable(as_json(plan, found, judged)), ensure_ascii=False) + "\n")
    show.write(text(plan, found) + ("\n" + targets_text(judged) if judged else ""))
    if args.cost:
        show.write("\n" + cost(plan))
    show.write(f"written: {', '.join(str(path) for path in written)}\n")
    return FAILED if any(target.state != "met" for target in judged) else DONE


if __name__ == "__main__":
    sys.exit(main())
