"""``quietfloor stimulus``: measure, draw, write or play one stimulus."""

from __future__ import annotations

import argparse
import datetime
import os
import time
from pathlib import Path
from typing import Any

from quietfloor.monitor.commands.common import (
    BAD_ARGUMENTS,
    DONE,
    FAILED,
    add_json,
    complain,
    give_json,
    refuse,
    say,
    stop_on_signals,
)

EXAMPLES = """examples:
  quietfloor stimulus                                             the click
  quietfloor stimulus --stimulus tone-burst --frequency-hz 500 --plot burst.png
  quietfloor stimulus --stimulus tone-burst --frequency-hz 2000 --envelope blackman --cycles 2.5,0,2.5 --plot burst.svg
  quietfloor stimulus --stimulus chirp --plot chirp.png --csv chirp.csv
  quietfloor stimulus --stimulus chirp --chirp-span-ms 2.56
  quietfloor stimulus --stimulus octave-chirp --frequency-hz 1000 --write-wav octave.wav
  quietfloor stimulus --stimulus custom --wav octave.wav --write-wav both.wav --trigger-column
  quietfloor stimulus plan.toml --play 20                         through the output and at the level of a plan

The options of the first two groups are keys of [sound] in a plan; PLAN.toml gives those that are left out. The measures describe
the electric signal: an earphone changes spectrum and envelope. A WAV file is at -20 dB re full scale unless --level-db-fs is
given. Sound can harm hearing: --play respects the output ceiling and counts into the sound dose of the folder sessions. A WAV
file in another player does neither.
exit status: 0 done, 1 could not be written or played, 2 bad arguments or plan"""

FILE_DB_FS = -20.0  # so that a file that is opened by chance, with the volume up, does no harm
PLAYED = 20
SHAPE_KEYS = (
    "duration_us", "frequency_hz", "cycles", "envelope", "chirp_k", "chirp_d", "chirp_span_ms", "chirp_by_level", "wav",
    "wav_zero_ms",
)  # fmt: skip


def numbers(text: str) -> list[float]:
    """``A,B,C`` as numbers."""
    try:
        return [float(part) for part in text.split(",")]
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r}: give numbers with commas between them, such as 2,1,2") from None


def add(commands: Any) -> None:
    parser = commands.add_parser(
        "stimulus", help="measure, draw, write or play one stimulus", description="Measure, draw, write or play one stimulus.",
        epilog=EXAMPLES, formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("plan", nargs="?", type=Path, metavar="PLAN.toml", help="plan whose [sound] gives the defaults")
    which = parser.add_argument_group("which stimulus (keys of [sound])")
    which.add_argument("--stimulus", metavar="KIND", help="kind: click, tone-burst, chirp, octave-chirp or custom (click)")
    which.add_argument("--duration-us", type=float, metavar="US", help="duration of a click, 40 to 1000 (100)")
    which.add_argument("--frequency-hz", type=float, metavar="HZ", help="frequency of a tone burst or octave chirp, 250 to 8000")
    which.add_argument("--cycles", type=numbers, metavar="R,P,F", help="rise, plateau and fall of a tone burst (2,1,2)")
    which.add_argument("--envelope", metavar="NAME", help="envelope of a tone burst: linear, cosine or blackman (linear)")
    which.add_argument("--chirp-k", type=float, metavar="K", help="a frequency f leaves K f^-D s before the highest one (0.092)")
    which.add_argument("--chirp-d", type=float, metavar="D", help="see --chirp-k (0.4356)")
    which.add_argument("--chirp-span-ms", type=float, metavar="MS", help="instead of K: delay between 710 and 5700 Hz (3.143)")
    which.add_argument("--chirp-by-level", action="store_true", default=None, help="use the span that is best at --level-db-nhl")
    which.add_argument("--wav", metavar="FILE", help="the waveform of --stimulus custom, mono")
    which.add_argument("--wav-zero-ms", type=float, metavar="MS", help="time zero of that file, from its first sample (0)")
    how = parser.add_argument_group("at which level and rate (keys of [sound])")
    how.add_argument("--level-db-nhl", type=float, metavar="DB", help="level in dB nHL; needs --calibration")
    how.add_argument(
        "--level-db-ppe-spl", type=float, metavar="DB",
        help="peak-to-peak equivalent level, dB SPL; needs --calibration, no reference",
    )  # fmt: skip
    how.add_argument("--level-db-fs", type=float, metavar="DB", help="level in dB re full scale, where there is no calibration")
    how.add_argument("--calibration", metavar="FILE", help="calibration of the output")
    how.add_argument("--references", metavar="FILE", help="reference thresholds of your own")
    how.add_argument("--route", metavar="ROUTE", help="air or bone (air)")
    how.add_argument("--ear", metavar="EAR", help="left, right, or both: the same sound in both (right)")
    how.add_argument("--age-group", metavar="GROUP", help="adult, child or infant: sets the output ceiling (adult)")
    how.add_argument("--transducer", metavar="NAME", help="what plays the stimulus: sets the output ceiling (insert)")
    how.add_argument("--polarity", metavar="P", help="condensation, rarefaction or alternating; --write-wav writes condensation")
    how.add_argument("--rate-per-s", type=float, metavar="N", help="stimuli a second when played (47.1)")
    how.add_argument("--sample-rate-hz", type=float, metavar="HZ", help="sampling rate of the output (48000)")
    what = parser.add_argument_group("what to do with it")
    what.add_argument("--plot", type=Path, metavar="FILE", help="draw curve, envelope and spectrum: .png or .svg")
    what.add_argument("--csv", type=Path, metavar="FILE", help="time, waveform and envelope at every sample")
    what.add_argument("--write-wav", type=Path, metavar="FILE", help="the stimulus as a WAV file, 32 bit float")
    what.add_argument("--trigger-column", action="store_true", help="add the trigger as a channel (WAV) and a column (CSV)")
    what.add_argument("--out", type=Path, metavar="DIR", help="folder for these files (this one)")
    what.add_argument(
        "--play", type=int, nargs="?", const=PLAYED, metavar="N", help=f"play it N times ({PLAYED}) on the output of the plan"
    )
    add_json(parser)
    parser.set_defaults(do=main)


def main(args: argparse.Namespace) -> int:
    from quietfloor.monitor.plan.run_plan import PlanError

    try:
        plan = sound_plan(args)
        waveform = _sent(plan)
        content = measure(plan, waveform)
        describe(content, args)
        content["written"] = write(plan, waveform, content, args)
    except (PlanError, ValueError) as error:
        return refuse(error, BAD_ARGUMENTS, args)
    except OSError as error:
        name = f"{error.filename} " if error.filename else ""
        return refuse(f"{name}cannot be written ({error.strerror or error})", FAILED, args)
    if args.play is not None:
        try:
            content["played"] = play(plan, args)
        except PlanError as error:
            return refuse(error, BAD_ARGUMENTS, args)
        except RuntimeError as error:
            return refuse(error, FAILED, args)
    give_json(content, args)
    return DONE


def sound_plan(args: argparse.Namespace) -> Any:
    """[sound] of the plan, with the values that the options replace. Raises PlanError."""
    from quietfloor.monitor.plan.run_plan import PlanError, load_plan, make_sound_plan
    from quietfloor.stimuli.levels import STATED

    if args.play is not None and args.play < 1:
        raise PlanError(f"--play {args.play}: allowed is 1 or more")
    data: dict[str, Any] = {}
    if args.plan is not None:
        plan = load_plan(args.plan)
        if plan.sound is None:
            raise PlanError(f"plan {args.plan} plays nothing: give it a table [sound]")
        data = plan.sound.model_dump(mode="json", exclude_none=True)
    names = (
        "stimulus", *SHAPE_KEYS, *STATED, "calibration", "references", "route", "ear", "age_group",
        "transducer", "polarity", "rate_per_s", "sample_rate_hz",
    )  # fmt: skip
    given = {name: getattr(args, name) for name in names if getattr(args, name) is not None}
    if given.get("stimulus", data.get("stimulus")) != data.get("stimulus"):
        data = {name: value for name, value in data.items() if name not in SHAPE_KEYS}  # those of another sound
    if "chirp_span_ms" in given or "chirp_by_level" in given:
        data.pop("chirp_k", None)
    if any(key in given for key in STATED):  # another unit than that of the plan
        data = {name: value for name, value in data.items() if name not in STATED}
    data |= given
    if not any(key in data for key in STATED):
        if args.play is not None:
            raise PlanError(
                "--play needs a level: give --level-db-nhl or --level-db-ppe-spl with --calibration, --level-db-fs, or a "
                "PLAN.toml"
            )
        data["level_db_fs"] = FILE_DB_FS
    return make_sound_plan(data, "stimulus")


def _sent(plan: Any) -> Any:
    """The waveform, through the equaliser where the plan has one. Raises LevelError, ValueError."""
    from quietfloor.stimuli.calibration_file import load_calibration
    from quietfloor.stimuli.equaliser import equalised

    waveform = plan.spec.waveform(plan.sample_rate_hz)
    return equalised(waveform, load_calibration(Path(plan.calibration)), plan.ear).waveform if plan.equalise else waveform


def measure(plan: Any, waveform: Any) -> dict[str, Any]:
    """Measures of the stimulus as numbers; times in ms, after time zero where stated."""
    from quietfloor.monitor.waves.expected import default_window_ms
    from quietfloor.stimuli.spectra import figures

    spec = plan.spec
    measured = figures(waveform)
    window_ms = default_window_ms(spec.kind, spec.frequency_hz, plan.age_group)
    return {
        "name": plan.stimulus_name,
        "shape": spec.shape,
        **spec.record(),
        "sample_rate_hz": plan.sample_rate_hz,
        "samples": waveform.samples.size,
        "duration_ms": 1e3 * measured.duration_s,
        "time_zero_ms": 1e3 * waveform.time_zero_s,
        "time_zero_is": waveform.time_zero_is,
        "peak_to_peak": measured.peak_to_peak,
        "rms": measured.rms,
        "crest_factor_db": measured.crest_db,
        "strongest_hz": measured.strongest_hz,
        "band_hz": {f"-{down_db:g} dB": list(band) for down_db, band in measured.band_db_hz},
        "window_ms": list(window_ms),
        "wave_v_expected_ms": list(plan.latency_ms(window_ms)),
        **_level(plan),
    }


def _level(plan: Any) -> dict[str, Any]:
    """The level in physical units, and the reference on which it rests, where the plan has a calibration; it may be old or of
    another output, as nothing is played by it here."""
    from quietfloor.stimuli.calibration import ears_of
    from quietfloor.stimuli.calibration_file import load_calibration
    from quietfloor.stimuli.equaliser import basis_of, equalised
    from quietfloor.stimuli.levels import LEVEL_KEYS, level_basis, load_references, ppe_basis

    level_db, unit = plan.level
    found: dict[str, Any] = {"level_db": level_db, "level_unit": unit} | dict.fromkeys(LEVEL_KEYS)
    if plan.calibration is None or plan.level_db_fs is not None:
        return found
    waveform, calibration = plan.spec.waveform(plan.sample_rate_hz), load_calibration(Path(plan.calibration))
    ear = ears_of(plan.ear)[0]  # of both the level is the same
    if plan.equalise:
        sent = equalised(waveform, calibration, ear)
        return found | basis_of(sent, calibration, ear).record(level_db, waveform, plan.rate_per_s)
    if plan.level_db_nhl is None:
        return found | ppe_basis(waveform, ear, calibration).record(level_db, waveform, plan.rate_per_s)
    references = load_references(None if plan.references is None else Path(plan.references))
    return found | level_basis(waveform, ear, calibration, references).record(level_db, waveform, plan.rate_per_s)


def describe(content: dict[str, Any], args: argparse.Namespace) -> None:
    """Print the measures as text."""
    shape = f", {content['shape']}" if content["shape"] else ""
    zero_ms, end_ms = content["time_zero_ms"], content["duration_ms"]
    middle = ""
    if content["cycles"] is not None:
        rise_ms = 1e3 * content["cycles"][0] / content["frequency_hz"]
        middle = f"; end of the rise {rise_ms:.2f} ms, middle {end_ms / 2:.2f} ms after it"
    rows = [
        ("duration", f"{end_ms:.3f} ms, {content['samples']} samples at {content['sample_rate_hz']:g} Hz"),
        ("time zero", f"{zero_ms:.3f} ms after the first sample: {content['time_zero_is']}{middle}"),
        ("peak to peak", f"{content['peak_to_peak']:.3f}, largest magnitude 1"),
        ("RMS", f"{content['rms']:.3f} over its duration"),
        ("crest factor", f"{content['crest_factor_db']:.2f} dB"),
        *((f"{down} band", f"{low:.0f} to {high:.0f} Hz") for down, (low, high) in content["band_hz"].items()),
        ("wave V", "expected {:.1f} to {:.1f} ms after time zero; window {:g} to {:g} ms".format(
            *content["wave_v_expected_ms"], *content["window_ms"])),
    ]  # fmt: skip
    if content["level_rests_on"] is not None:
        in_ppe = "" if content["level_db_ppe"] is None else f", {content['level_db_ppe']:.1f} dB p-p.e."
        rows.append(("level", f"{content['level_db']:g} {content['level_unit']}{in_ppe}: {content['level_rests_on']}"))
    if content["reference_source"] is not None:
        rows.append(("reference", f"0 dB nHL is {content['reference_db']:g} dB: {content['reference_source']}"))
    say(f"{content['name']}{shape}", args)
    for name, text in rows:
        say(f"  {name:14}{text}", args)


def write(plan: Any, waveform: Any, content: dict[str, Any], args: argparse.Namespace) -> list[str]:
    """Write the requested files; returns their names. Raises OSError and ValueError."""
    folder = args.out or Path()
    wanted = [(file, make) for file, make in ((args.plot, _plot), (args.csv, _csv), (args.write_wav, _wav)) if file is not None]
    if args.out is not None and wanted:
        folder.mkdir(parents=True, exist_ok=True)
    for file, make in wanted:
        say(f"{make(folder / file, plan, waveform, content, args.trigger_column)} {folder / file}", args)
    return [str(folder / file) for file, _ in wanted]


def _plot(path: Path, plan: Any, waveform: Any, content: dict[str, Any], trigger: bool) -> str:
    from quietfloor.monitor.commands.stimulus_picture import draw_stimulus
    from quietfloor.stimuli.spectra import figures

    title = ", ".join(part for part in (content["name"], content["shape"], f"{plan.sample_rate_hz:g} Hz") if part)
    draw_stimulus(path, title, waveform, figures(waveform))
    return "drawn:"


def _csv(path: Path, plan: Any, waveform: Any, content: dict[str, Any], trigger: bool) -> str:
    import numpy as np

    from quietfloor.stimuli.spectra import envelope

    times_s, _, around = envelope(waveform)
    step = times_s.size // waveform.samples.size
    columns = [1e3 * times_s[::step], waveform.samples, around[::step]]
    names = ["time_ms", "sound", "envelope"]
    if trigger:
        pulse = _trigger(plan, waveform)
        length = max(pulse.size, waveform.samples.size)
        columns = [np.pad(column, (0, length - column.size)) for column in [*columns, pulse]]
        columns[0] = 1e3 * (np.arange(length) / waveform.rate_hz - waveform.time_zero_s)
        names.append("trigger")
    rows = (",".join(f"{value:.9g}" for value in row) for row in zip(*columns, strict=True))
    path.write_text("\n".join([",".join(names), *rows]) + "\n", encoding="utf-8")
    return "samples:"


def _wav(path: Path, plan: Any, waveform: Any, content: dict[str, Any], trigger: bool) -> str:
    import numpy as np
    from scipy.io import wavfile

    from quietfloor.stimuli.levels import gain_db_fs

    level_db_fs = FILE_DB_FS if plan.level_db_fs is None else plan.level_db_fs
    sound = gain_db_fs(level_db_fs, waveform) * waveform.samples
    channels = [sound]
    if trigger:
        pulse = _trigger(plan, waveform)
        length = max(pulse.size, sound.size)
        channels = [np.pad(channel, (0, length - channel.size)) for channel in (sound, pulse)]
    wavfile.write(path, round(plan.sample_rate_hz), np.stack(channels, axis=-1).squeeze().astype(np.float32))
    second = f", trigger at {plan.trigger_db_fs:g} dB in the second channel" if trigger else ""
    return f"sound at {level_db_fs:g} dB re full scale{second}:"


def _trigger(plan: Any, waveform: Any) -> Any:
    from quietfloor.stimuli.frames import TRIGGER_S, trigger_pulse

    return trigger_pulse(TRIGGER_S, waveform.rate_hz, plan.trigger_db_fs)


def play(plan: Any, args: argparse.Namespace) -> int:
    """Play the stimulus a number of times, or until Ctrl-C; returns how often it was played. Raises PlanError and
    RuntimeError."""
    from quietfloor.monitor.run import status_text
    from quietfloor.monitor.run.sound_output import OUTSIDE_A_RUN, make_stimulus, open_sound
    from quietfloor.stimuli.calibration import ear_words

    plan = plan.model_copy(update={"dose_policy": None})  # nobody acknowledges one here
    sound = open_sound(make_stimulus(plan, datetime.date.today()))
    stopped: list[bool] = []
    name = f"{datetime.datetime.now(datetime.UTC):%Y%m%dT%H%M%S.%f}-{os.getpid()}"
    if plan.caution:
        complain(plan.caution)
    say(f"playing {plan.stimulus_name}, {args.play} times at {plan.rate_per_s:g}/s, {ear_words(plan.ear)}; Ctrl-C stops", args)
    try:
        sound.reserve(OUTSIDE_A_RUN, name, args.play, ahead=False)
        with stop_on_signals(lambda: stopped.append(True)):
            sound.start()
            while sound.sweeps_played < args.play and not stopped and sound.failure is None:
                time.sleep(0.01)
    finally:
        sound.stop()
        sound.close()
    if sound.failure is not None and sound.sweeps_played < args.play:  # on a busy machine what was set aside ends before this
        raise RuntimeError(sound.failure)
    if sound.underruns:
        complain(f"the sound broke up {sound.underruns} times: close other programs")
    if sound.limited_samples:
        complain(status_text.sound_limited(sound.limited_samples))
    return sound.sweeps_played
