"""``python -m quietfloor.bench.timing_check.program``: measure the timing of sound and EEG by an electrical loop, and write a
certificate."""

from __future__ import annotations

import argparse
import contextlib
import datetime
import importlib.metadata
import os
import sys
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from quietfloor.bench.timing_check.listen import BrokenStream, Listener, NotBegun, record
from quietfloor.bench.timing_check.measure import Measurement, Played, TimingError, measure
from quietfloor.bench.timing_check.options import Order, order, parser
from quietfloor.bench.timing_check.report import as_json, draw, rates_text, text, write_csv
from quietfloor.monitor.commands.common import (
    BAD_ARGUMENTS,
    DONE,
    FAILED,
    FAULT,
    complain,
    give_json,
    refuse,
    say,
    set_up_logging,
    stop_on_signals,
)
from quietfloor.monitor.plan.run_plan import PlanError
from quietfloor.monitor.run.resolved_plan import layout_of
from quietfloor.monitor.run.sound_output import OUTSIDE_A_RUN, make_stimulus, open_sound
from quietfloor.monitor.run.timing_certificate import (
    Certificate,
    CertificateError,
    Measured,
    OutputOf,
    StreamOf,
    differences,
    load_certificate,
    save_certificate,
)
from quietfloor.monitor.sources.base import SourceError, StreamLost
from quietfloor.monitor.sources.lsl import LslSource, find_stream, resolve_channels
from quietfloor.monitor.storage.dose_ledger import ExposureError
from quietfloor.stimuli.schedule import Sweep


class Progress:
    """Progress on standard error: one line that is overwritten, or a line for every fifth if there is no terminal."""

    def __init__(self, count: int) -> None:
        self._count, self._told = count, -1
        self._live = sys.stderr.isatty()

    def __call__(self, done: int) -> None:
        step = done if self._live else 5 * done // self._count
        if step == self._told:
            return
        self._told = step
        start, end = ("\r", "\n" if done == self._count else "") if self._live else ("", "\n")
        sys.stderr.write(f"{start}quietfloor: {done} of {self._count} clicks{end}")
        sys.stderr.flush()


@dataclass(frozen=True)
class Result:
    """What was found, as measured and as certified."""

    found: Measurement
    sweeps: tuple[Sweep, ...]
    entry: Measured
    certificate: Certificate


def check(what: Order, args: argparse.Namespace) -> Result:
    """Play, listen, measure, certify. Raises PlanError, SourceError, TimingError, BrokenStream, ExposureError."""
    assert what.plan.sound is not None
    sound_plan, stream_plan = what.plan.sound, what.plan.stream
    today = datetime.date.today()
    stimulus = make_stimulus(sound_plan, today)
    frames = stimulus.frames
    with contextlib.ExitStack() as opened:
        source = LslSource(find_stream(stream_plan.name, stream_plan.source_id, stream_plan.wait_s))
        opened.callback(source.close)
        description = source.description
        channels = resolve_channels(description, [what.sound_channel], stream_plan.trigger)
        settings = what.plan.engine_settings(layout_of(description, channels)).trigger
        device, host_interface = stimulus.output
        rate_hz, outputs = sound_plan.sample_rate_hz, sound_plan.card_channels
        output = OutputOf(device=device, host_interface=host_interface, rate_hz=rate_hz, channels=outputs)
        certificate = _begun(what.out, output, StreamOf.of(description, channels.trigger, what.plan.trigger))
        sound = open_sound(stimulus)
        opened.callback(sound.close)
        opened.callback(sound.stop)
        name = f"timing-{datetime.datetime.now(datetime.UTC):%Y%m%dT%H%M%S.%f}-{os.getpid()}"
        sound.reserve(OUTSIDE_A_RUN, name, what.count, ahead=False)
        say(
            f"{what.count} clicks at {sound_plan.level_db_fs:g} dB re full scale, {sound_plan.ear} side of {device!r} "
            f"({host_interface}, {output.rate_hz:g} Hz), into {description.label(channels.eeg[0])!r} of {description.name!r} "
            f"({description.rate_hz:g} Hz), trigger in {description.label(channels.trigger)!r}",
            args,
        )
        if sound_plan.caution:
            complain(sound_plan.caution)
        stop = threading.Event()
        listener = Listener(source, channels.trigger, channels.eeg[0], settings)
        with stop_on_signals(stop.set):
            kept = record(sound, listener, what.count, sound_plan.lead_in_s, stop.is_set, Progress(what.count))
        underruns = sound.underruns
    sweeps = tuple(islice(frames.schedule.sweeps(), what.count))
    try:
        found = measure(*kept.whole(), description.rate_hz, Played(sweeps, frames.rate_hz, frames.waveform.samples), settings)
    except TimingError as error:
        if underruns:
            raise BrokenStream(f"the sound broke up {underruns} times: end other programs, then repeat the check") from error
        raise
    entry = _entry(found, what, description.label(channels.eeg[0]), description.rate_hz, today)
    return Result(found, sweeps, entry, certificate.having(entry))


def _begun(path: Path, output: OutputOf, stream: StreamOf) -> Certificate:
    """The certificate to which the check adds; a certificate of other equipment is not changed. Raises CertificateError."""
    if not path.exists():
        return Certificate(output=output, stream=stream, measured=())
    certificate = load_certificate(path)
    if other := differences(certificate, output, stream):
        raise CertificateError(f"{path} is the certificate of other equipment ({other}): give another name by --out")
    return certificate


def _entry(found: Measurement, what: Order, sound_channel: str, rate_hz: float, today: datetime.date) -> Measured:
    low, high = found.range_ms
    return Measured(
        rate_hz=rate_hz,
        issued=today,
        valid_days=what.valid_days,
        sounds=what.count,
        offset_ms=found.offset_ms,
        sd_ms=found.sd_ms,
        min_ms=low,
        max_ms=high,
        drift_ppm=found.drift_ppm,
        drift_se_ppm=found.drift_se_ppm,
        **found.counts,
        trigger_edges=found.trigger_edges,
        sound_channel=sound_channel,
        version=importlib.metadata.version("quietfloor"),
    )


def tell(result: Result, what: Order, args: argparse.Namespace) -> None:
    """Text, files, JSON. Raises OSError."""
    found, entry, certificate = result.found, result.entry, result.certificate
    say(text(found, what.count), args)
    say("passed" if entry.passed else "FAILED: " + "; ".join(entry.problems), args)
    save_certificate(what.out, certificate)
    say(f"certificate {certificate.id_of(entry)} kept in {what.out}\n", args)
    say(rates_text(certificate), args)
    if entry.passed:
        say(f'In a plan: certificate = "{what.out}" under [timing]; and amplifier_delay_ms = "certificate" under', args)
        say(f"[analysis] to take the offset at this rate, {entry.offset_ms:.4f} ms, as the delay of the EEG.", args)
    if what.plot is not None:
        where = f"{certificate.output.device}, EEG at {entry.rate_hz:g} Hz, {entry.issued}"
        draw(what.plot, found, f"Sound after its trigger: {where}")
        say(f"drawn: {what.plot}", args)
    if what.csv is not None:
        write_csv(what.csv, found, [sweep.onset_sample for sweep in result.sweeps])
        say(f"every click: {what.csv}", args)
    give_json(as_json(found, entry, certificate, what.out), args)


def show(path: Path, args: argparse.Namespace) -> int:
    """Print a certificate."""
    certificate = load_certificate(path)
    output, stream = certificate.output, certificate.stream
    outputs = "" if output.channels is None else ", outputs {}, {}, trigger {}".format(*output.channels)
    say(f"sound: {output.device!r} ({output.host_interface}, {output.rate_hz:g} Hz{outputs})", args)
    named = f", source id {stream.source_id!r}" if stream.source_id else ""
    say(f"EEG: {stream.name!r}{named}, trigger in {stream.trigger!r} ({stream.edge} edge, {stream.kind})\n", args)
    say(rates_text(certificate), args)
    ids = {"ids": [certificate.id_of(entry) for entry in certificate.measured]}
    give_json(certificate.model_dump(mode="json") | ids, args)
    return DONE


def main(arguments: Sequence[str] | None = None) -> int:
    args = parser().parse_args(arguments)
    set_up_logging()
    try:
        if args.show is not None:
            return show(args.show, args)
        what = order(args)
        result = check(what, args)
        tell(result, what, args)
    except PlanError as error:
        return refuse(error, BAD_ARGUMENTS, args)
    except (StreamLost, BrokenStream) as error:
        return refuse(error, FAULT, args)
    except (SourceError, TimingError, ExposureError, NotBegun) as error:
        return refuse(error, FAILED, args)
    except OSError as error:
        name = f"{error.filename} " if error.filename else ""
        return refuse(f"{name}cannot be written ({error.strerror or error})", FAILED, args)
    return DONE if result.entry.passed else FAILED


if __name__ == "__main__":
    sys.exit(main())
