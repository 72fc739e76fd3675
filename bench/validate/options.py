"""What a person may ask of a validation, and the plan that this makes."""

from __future__ import annotations

import argparse
import math
from dataclasses import replace
from pathlib import Path

from quietfloor.bench.simulate.intervals import runs_for_width
from quietfloor.bench.simulate.muted_null import muted_run, plan_of, sweeps_of
from quietfloor.bench.simulate.noises import NOISES, Grid, Presentation
from quietfloor.bench.simulate.recordings import Recording, load
from quietfloor.bench.simulate.responses import SHAPES, Response
from quietfloor.bench.simulate.simulate import Setup
from quietfloor.bench.validate.plan import MUTED, RECORDING, ValidationPlan
from quietfloor.monitor.core.samples import Layout
from quietfloor.monitor.plan.run_plan import Plan, load_plan, load_run_plan, make_plan, override
from quietfloor.monitor.storage.run_folder import RunFolder

DEFAULT_RUNS, TARGET_RUNS, QUICK_RUNS, MOST_RESPONSE_RUNS = 1000, 5000, 200, 1000
QUICK_SWEEPS = 2048
COMPARED = ("evidence", "fsp", "hotelling")
TARGET_SIZES = (0.0, 60.0, 100.0, 150.0, 200.0, 300.0)
TARGET_RULES = ("evidence", "fsp", "evidence@20")

EPILOG = """examples:
  quietfloor validate --quick                          a first impression, a minute or two
  quietfloor validate --targets                        measures what this program promises: most of an hour
  quietfloor validate --rules evidence,fsp:bonferroni,naive_fsp --noise gaussian,bursts --response 0,200,300
  quietfloor validate --recording quiet.xdf --channel Cz --plan plan.toml --width 0.006
  quietfloor validate --muted sessions/run-003         a muted run of your own rig, at its real triggers, see below
  quietfloor validate --thresholds search,ladder       methods that find thresholds; its help: --thresholds search --help
  quietfloor validate --persons 50 --together          whole sessions, both ears at once; its help: --persons 1 --help
  quietfloor validate --rates                          what 10 to 100 sounds a second are worth, one or several at once

Rules run side by side on the same noise. A rule with an error budget may name it: fsp:pocock (usual), fsp:bonferroni,
fsp:obrien_fleming, fsp:none. naive_fsp is a teaching example and is not valid. A number after @ is a quiet_nv: with
evidence@20 a run that has found a response goes on averaging down to 20 nV.

Recorded noise (--recording): random onsets test the noise. Record some minutes without sound, with the person and electrodes of
a real run, and give the file; simulated onsets are placed at random. With a run folder (a muted run's too) channel, unit and
settings are taken from its plan, but its triggers are not used.

A live muted loop (--muted): real triggers test the whole loop. Make a run with `muted = true` under [sound] in its plan (the
trigger goes out, the sound does not) and give its folder. Its sweeps are cut at its own triggers, as a live run cuts them, so
the sweeps contain crosstalk of the trigger and hum that is time-locked to the stimulus. False alarms far above alpha mean that
the equipment causes them. A run needs as many sweeps as its sweep limit, and an error rate needs many times that: let the muted
run last long, with floor_nv = 1, alpha = 1e-6 and a large max_sweeps under [decision], and give the plan of your real runs as
--plan. Simulated runs begin at random units of 16 sweeps and keep their order. A muted run does not contain artefacts that only a
driven transducer makes.

Finished parts are kept in --out at once: the same command goes on after an interruption. The same seed gives the same report on
any number of cores.
exit status: 0 done (with --targets: every target met), 1 not done or a target missed, 2 bad arguments"""


def parser() -> argparse.ArgumentParser:
    program = argparse.ArgumentParser(
        prog="quietfloor validate",
        description="False alarms, power and time to a decision of stopping rules, with exact intervals.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    what = program.add_argument_group("what")
    what.add_argument("--rules", type=_names, metavar="A,B", help="rules to compare (that of the plan, evidence,fsp,hotelling)")
    what.add_argument("--noise", type=_names, metavar="all|A,B", help=f"null sources (gaussian): {', '.join(NOISES)}")
    what.add_argument(
        "--recording", type=Path, metavar="FILE", help="recorded noise, onsets at random: a run, .xdf, .bdf, .edf, .npz or .npy"
    )
    what.add_argument("--muted", type=Path, metavar="FOLDER", help="the folder of a muted run, at its real triggers")
    what.add_argument("--channel", metavar="C", help="channel of the recording, by label or number (from 1); several with commas")
    what.add_argument("--rate", type=float, metavar="HZ", help="sampling rate, where the file states none")
    what.add_argument("--unit", metavar="U", help="unit of the recording, where the file states none: uV, mV or V")
    what.add_argument("--response", type=_numbers, metavar="NV,NV", help="sizes in nV peak to trough; 0 is no response (0)")
    what.add_argument("--response-noise", type=_names, metavar="A,B", help="sources in which responses are tried (as --noise)")
    what.add_argument("--shape", choices=sorted(SHAPES), default="wave_v", help="shape of responses; odd: unlike wave V (wave_v)")
    how_many = program.add_mutually_exclusive_group()
    how_many.add_argument("--runs", type=int, metavar="N", help=f"runs of each kind ({DEFAULT_RUNS}; --targets: {TARGET_RUNS})")
    how_many.add_argument("--width", type=float, metavar="W", help="as many runs as make the 95 %% interval at alpha this wide")
    what.add_argument("--quick", action="store_true", help=f"{QUICK_RUNS} runs of each kind, at most {QUICK_SWEEPS} sweeps")
    program.add_argument("--targets", action="store_true", help="measure the targets of this program, and say which are met")
    settings = program.add_argument_group("settings of the runs")
    settings.add_argument("--plan", type=Path, metavar="FILE", help="a plan with the settings; options replace them")
    settings.add_argument("--alpha", type=float, metavar="A", help="false-alarm rate of the whole run (0.01)")
    settings.add_argument("--floor-nv", type=float, metavar="NV", help="noise at which a missing response is believed (15)")
    settings.add_argument("--absent-below-nv", type=float, metavar="NV", help="also end once no response is larger than this")
    settings.add_argument("--max-sweeps", type=int, metavar="N", help="sweep limit (6144)")
    settings.add_argument("--look-every", type=int, metavar="N", help="sweeps between looks of rules with an error budget (256)")
    settings.add_argument("--band", type=_pair, metavar="LOW,HIGH", help="pass band in Hz (100,1500)")
    settings.add_argument("--window", type=_pair, metavar="START,STOP", help="response window in ms (5,17)")
    settings.add_argument("--latency", type=_pair, metavar="EARLY,LATE", help="where wave V is expected, in ms (as planned)")
    settings.add_argument("--response-latency", type=_pair, metavar="EARLY,LATE", help="the same in simulated responses (6,8.5)")
    settings.add_argument("--stimulus-rate", type=float, metavar="R", help="stimuli per second (47.1)")
    settings.add_argument("--schedule", choices=("pause", "fixed"), help="random pause after each unit, or fixed rate")
    work_ = program.add_argument_group("work")
    work_.add_argument("--seed", type=int, default=1, metavar="S", help="the same seed gives the same report (1)")
    work_.add_argument("--jobs", type=int, default=-1, metavar="N", help="processes (-1: every core)")
    work_.add_argument("--cluster", metavar="ADDRESS", help="Dask scheduler, such as tcp://10.0.0.5:8786, instead of --jobs")
    work_.add_argument("--out", type=Path, default=Path("validation"), metavar="DIR", help="folder for the results (validation)")
    work_.add_argument("--cost", action="store_true", help="also time each rule alone (seconds a sweep; not in the reports)")
    work_.add_argument("--json", action="store_true", help="one JSON object on standard output at the end")
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
    """Raises ValueError (PlanError, RecordingError) or OSError for what cannot be validated."""
    own = _own_plan(args)
    epoch_ms, band = own.analysis.epoch_ms, own.analysis.band_hz
    recording = muted = None
    if args.muted is not None:
        muted = muted_run(args.muted.resolve(), own, args.channel, args.unit)
        grid = muted.grid
    elif args.recording is not None:
        recording = Recording(args.recording.resolve(), args.channel, args.rate, args.unit)
        grid = load(recording, band).grid(band, epoch_ms)
    else:
        grid = Grid(Grid.rate_hz, epoch_ms[0], math.floor((epoch_ms[1] - epoch_ms[0]) * 1e-3 * Grid.rate_hz + 1e-9) + 1, band)
    if muted is not None:
        engine = muted.settings
    else:
        engine = own.engine_settings(Layout(grid.rate_hz, ("EEG", "trigger"), (0,), 1))  # what a live run would make of it
    setup = Setup(
        grid=grid,
        window_ms=engine.window_ms,
        criteria=engine.criteria,
        evidence=engine.evidence,
        alpha=engine.alpha,
        floor_nv=engine.floor_nv,
        max_sweeps=engine.max_sweeps,
        quiet_nv=engine.quiet_nv,
        absent_below_nv=engine.absent_below_nv,
        look_every=engine.look_every,
    )
    if own.sound is not None:
        if own.sound.random_interval_ms and recording is None and muted is None:
            raise ValueError(
                f"sound.random_interval_ms = {own.sound.random_interval_ms:g}: synthetic noise is cut at even intervals: leave "
                "it out to validate the rule"
            )
        presentation = Presentation(own.sound.rate_per_s, own.sound.pauses_s, own.sound.random_polarity)
    else:
        pauses_s = Presentation.pauses_s if args.schedule == "pause" else ()
        presentation = Presentation(args.stimulus_rate or Presentation.rate_per_s, pauses_s)
    recorded = (RECORDING,) if recording is not None else (MUTED,) if muted is not None else ()
    measured = args.targets and not recorded
    sources = tuple(args.noise or recorded or (("all",) if measured else ("gaussian",)))
    sources = tuple(NOISES) if sources == ("all",) else sources
    if recorded and sources != recorded:
        raise ValueError("a recording is its own source: leave out --noise, and validate synthetic noise by itself")
    if muted is not None:
        sweeps_of(muted).require(setup.units)
    runs = QUICK_RUNS if args.quick else TARGET_RUNS if args.targets else DEFAULT_RUNS
    if args.runs is not None:
        runs = args.runs
    elif args.width is not None:
        runs = runs_for_width(args.width, setup.alpha)
    sizes = args.response or (TARGET_SIZES if measured else (0.0,))
    loud = args.response_noise or (("gaussian", "quiet") if measured else sources)
    return ValidationPlan(
        rules=args.rules or tuple(dict.fromkeys((engine.rule, *(TARGET_RULES if args.targets else COMPARED)))),
        sources=sources,
        sizes_nv=sizes,
        response_sources=loud if any(sizes) else (),
        runs=runs,
        response_runs=min(runs, MOST_RESPONSE_RUNS) if args.targets else runs,
        seed=args.seed,
        setup=setup,
        presentation=presentation,
        response=replace(Response(shape=args.shape), **({"latency_ms": args.response_latency} if args.response_latency else {})),
        recording=recording,
        muted=muted,
    )


def _own_plan(args: argparse.Namespace) -> Plan:
    """The plan asked for, or that of the run folder, or the usual one with our own sound; single values replaced.

    Of a plan given with a muted run only [analysis] and [decision] count: how it was made and recorded is settled.
    """
    plan = make_plan({"sound": {"level_db_fs": -40.0}})
    if args.muted is not None:
        _alone_with_muted(args)
        plan = plan_of(args.muted)
        if args.plan is not None:
            asked = load_plan(args.plan)
            made, judged = (one.model_dump(mode="json", exclude_none=True) for one in (plan, asked))
            plan = make_plan(made | {part: judged[part] for part in ("analysis", "decision")}, str(args.plan))
    elif args.plan is not None:
        plan = load_plan(args.plan)
    elif args.recording is not None and args.recording.is_dir():
        folder = RunFolder.open(args.recording)
        if folder.plan.is_file():
            plan = load_run_plan(folder.plan)
    quick_sweeps = min(QUICK_SWEEPS, plan.decision.max_sweeps) if args.quick else None
    changes = {
        "analysis": {"band_hz": args.band, "window_ms": args.window, "latency_ms": args.latency},
        "decision": {
            "look_every": args.look_every,
            "alpha": args.alpha,
            "floor_nv": args.floor_nv,
            "absent_below_nv": args.absent_below_nv,
            "max_sweeps": args.max_sweeps or quick_sweeps,
        },
    }
    if plan.sound is not None:
        if args.schedule == "pause" and not plan.sound.mains_hz:
            raise ValueError("--schedule pause draws over a period of each mains, but sound.mains_hz = []: name them in the plan")
        random_pause = {None: None, "fixed": False, "pause": True}[args.schedule]
        changes["sound"] = {"rate_per_s": args.stimulus_rate, "random_pause": random_pause}
    return override(plan, changes)


def _alone_with_muted(args: argparse.Namespace) -> None:
    """Raise ValueError for options that have no meaning beside --muted."""
    if args.recording is not None:
        raise ValueError("--muted and --recording: give one of them, and the other with another --out")
    for option, why in (("rate", "the stream"), ("stimulus_rate", "the plan of the run"), ("schedule", "the plan of the run")):
        if (given := getattr(args, option)) is not None:
            raise ValueError(f"--{option.replace('_', '-')} {given} does not go with --muted: leave it out, {why} says it")
