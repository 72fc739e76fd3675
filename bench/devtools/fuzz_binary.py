"""What is not written as text, and what comes over the network, as targets: XML and stream descriptions, recordings in XDF, BDF
and EDF, the raw recording of a run, sounds, arrays."""

from __future__ import annotations

import io
import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np

from quietfloor.bench.devtools.fuzz_target import Target
from quietfloor.bench.simulate.recordings import Recording, RecordingError, load
from quietfloor.monitor.export import material as export
from quietfloor.monitor.export.edf import write_edf
from quietfloor.monitor.export.tables import averages_csv, events_csv, raw_csv
from quietfloor.monitor.formats.xdf import XdfError, XdfWriter
from quietfloor.monitor.plan.run_plan import Plan, PlanError, override
from quietfloor.monitor.readiness.impedance import Impedances
from quietfloor.monitor.review.import_recording import Wanted, import_recording
from quietfloor.monitor.review.recover import FinishError, finish
from quietfloor.monitor.review.replay import ReplayError, replay
from quietfloor.monitor.run.run_record import run_record
from quietfloor.monitor.run.unit_check import PreflightError
from quietfloor.monitor.sources.base import (
    SourceError,
    StreamDescription,
    description_from_xml,
    description_to_xml,
    marker_description,
)
from quietfloor.monitor.sources.channels import resolve_channels, suitability, uv_per_unit
from quietfloor.monitor.sources.edf import EdfError, read_edf
from quietfloor.monitor.sources.recording import RecordingSource
from quietfloor.monitor.storage.folder_lock import InUse
from quietfloor.monitor.storage.raw_writer import JournalError
from quietfloor.monitor.storage.run_folder import FolderError, RunFolder
from quietfloor.monitor.untrusted.safe_xml import XmlError, element_from
from quietfloor.stimuli.custom import read_wav

ROOT = Path(__file__).resolve().parents[2]
BAND_HZ = (100.0, 450.0)
RATE_HZ = 1000.0
ANALYSIS = {"band_hz": BAND_HZ, "window_ms": (5.0, 15.0), "epoch_ms": (-5.0, 20.0)}
XML_WORDS = (
    b"<!DOCTYPE a [", b"<!ENTITY a SYSTEM 'file:///etc/passwd'>", b"&a;", b"&lt;", b"<![CDATA[", b"]]>", b"<!--", b"<?xml ",
    b"</", b"/>", b"encoding='UTF-16'", b"encoding='x'", b"<channel>", b"</channel>", b"<a>" * 70, b"<desc/>", b"xmlns='u'",
    b"a:b", b"<channel_count>", b"<nominal_srate>", b"&#27;", b"&#x202e;", b"&#0;", b"&#xd800;", b"channels", b"label", b"unit",
)  # fmt: skip
XDF_WORDS = (
    b"\x08" + b"\xff" * 7 + b"\x7f", b"\x04\xff\xff\xff\xff", b"\x01\x00", b"\x01\x02", b"\x03\x00", b"\x02\x00\x01\x00\x00\x00",
    bytes.fromhex("43a546dccbf5410fb30ed5467383cbe4"), b"<channel_count>", b"float32", b"string", b"int64", b"double64", b"int8",
    b"<nominal_srate>0</nominal_srate>", b"\x00\x00\x00\x00\x00\x00\xf8\x7f", b"\x00\x00\x00\x00\x00\x00\xf0\x7f",
)  # fmt: skip
EDF_WORDS = (b"EDF Annotations ", b"BDF Annotations ", b"EDF+D", b"EDF+C", b"-1      ", b"0       ", b"1e308   ",
             b"99999999", b"+0\x14\x14\x00", b"+1\x15\x32\x14note\x14\x00", b"Status          ", b"\xffBIOSEMI", b"9999",
             b"1e-320  ")  # fmt: skip
WAV_WORDS = (b"RIFF", b"RIFX", b"RF64", b"WAVE", b"fmt ", b"data", b"LIST", b"fact", b"\xff\xff\xff\xff", b"\x00\x00\x00\x00")
NPY_WORDS = (b"'descr': '|O'", b"'<f8'", b"'shape': (", b"1000000000000,", b"'fortran_order': True", b"\x93NUMPY", b"PK\x03\x04",
             b"(-1,)", b"'<U9'", b"c16", b"rate_hz")  # fmt: skip

IMPORTED = (SourceError, XdfError, PlanError, PreflightError, FolderError, JournalError)
RAW = (PlanError, FolderError, InUse, ReplayError, SourceError, XdfError, export.ExportError, FinishError)


def _described(labels: Sequence[str] = ("Cz", "trigger"), channel_format: str = "float32") -> StreamDescription:
    count = len(labels)
    units = ("uV",) * count
    return StreamDescription("Amp <&>", "EEG", "sn-1", "host", "u", 1.0, count, RATE_HZ, channel_format, tuple(labels), units)


def _descriptions(_: Path) -> list[bytes]:
    whole = description_to_xml(_described(("Cz", "C\u0327z", "trigger")))
    measured = whole.replace("<unit>uV</unit>", "<unit>uV</unit><impedance>5.1</impedance><impedance_unit>kOhm</impedance_unit>")
    return [text.encode() for text in (whole, measured, description_to_xml(marker_description()))]


def _xml(data: bytes, _: Path) -> None:
    text = data.decode("utf-8", "surrogateescape")
    assert element_from(ElementTree.tostring(element_from(text), encoding="unicode")).tag


def _stream(data: bytes, scratch: Path) -> None:
    """As pylsl hands it out, seen by all who read it before a run; and kept."""
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    seen = description_from_xml(text)
    assert seen.summary()
    for finding in suitability(seen):
        assert finding.sentence
    Impedances(seen).of(0)
    kept = description_from_xml(description_to_xml(seen))
    assert (kept.name, kept.labels, kept.units, kept.rate_hz) == (seen.name, seen.labels, seen.units, seen.rate_hz)
    again = description_from_xml(description_to_xml(replace(seen, xml="")))
    assert again.channel_count == seen.channel_count
    XdfWriter(io.BytesIO().write).add_stream(1, description_to_xml(seen))
    uv_per_unit(seen, resolve_channels(seen, ["1"], "trigger").eeg)


def _recorded(channel_format: str = "float32", samples: int = 1500) -> bytes:
    return b"".join(_pieces(channel_format, samples))


def _pieces(channel_format: str = "float32", samples: int = 1500) -> list[bytes]:
    """A short recording, as it is written: samples, texts, clock offsets, a boundary, footers."""
    rng = np.random.default_rng(1)
    pieces: list[bytes] = []
    writer = XdfWriter(pieces.append, "2026-01-01T00:00:00+00:00")
    eeg = rng.normal(0, 10, samples)
    trigger = (np.arange(samples) % 50 < 3) * 100.0
    values = np.stack([eeg, trigger]).astype({"float32": "f4", "int16": "i2"}[channel_format])
    writer.add_stream(1, description_to_xml(_described(channel_format=channel_format)))
    writer.add_stream(2, description_to_xml(marker_description()))
    for start in range(0, samples, 100):
        writer.samples(1, values[:, start : start + 100], 10.0 + np.arange(start, min(samples, start + 100)) / RATE_HZ)
        writer.texts(2, [(10.0 + start / RATE_HZ, f"on {start}")])
    writer.boundary()
    for stream in (1, 2):
        writer.clock_offset(stream, 10.0, 0.001)
        writer.footer(stream)
    return pieces


def _xdfs(_: Path) -> list[bytes]:
    short = [_recorded(samples=300), _recorded(channel_format="int16", samples=300)]
    return [*short, (ROOT / "tests" / "data" / "xdf-examples" / "minimal.xdf").read_bytes()]


def _read(path: Path) -> None:
    source = RecordingSource(path, chunk_samples=2**62)
    assert source.description.summary()
    chunk = source.pull()
    assert chunk is not None
    assert chunk.samples.shape == (source.description.channel_count, source.total_samples)
    assert all(isinstance(text, str) for _, text in source.texts + source.markers)
    assert source.clock_offsets is not None


def _xdf(data: bytes, scratch: Path) -> None:
    path = scratch / "some.xdf"
    path.write_bytes(data)
    _read(path)


def _xdf_header(data: bytes, scratch: Path) -> None:
    """Only the header of a stream is broken: what is around it is whole."""
    _xdf(_HEADLESS[0] + _chunk(2, data) + _HEADLESS[1], scratch)


def _chunk(tag: int, content: bytes, stream_id: int = 1) -> bytes:
    body = tag.to_bytes(2, "little") + stream_id.to_bytes(4, "little") + content
    return b"\x08" + len(body).to_bytes(8, "little") + body


def _without_header() -> tuple[bytes, bytes]:
    """The bytes of a recording before and behind the header of its first stream: the writer writes a chunk at a time."""
    pieces = _pieces(samples=300)
    at = next(index for index, piece in enumerate(pieces) if b"<channel_count>" in piece)
    return b"".join(pieces[:at]), b"".join(pieces[at + 1 :])


_HEADLESS = _without_header()


def _bdfs(_: Path) -> list[bytes]:
    return [_edf(), _edf(interrupted=True), _edf(bdf=True)]


def _edf(interrupted: bool = False, bdf: bool = False) -> bytes:
    """Three records of two signals and annotations, as EDF+ or BDF+."""
    kind, width = ("BDF", 3) if bdf else ("EDF", 2)
    signals = (("Cz", "uV", 200), ("trigger", "", 200), (f"{kind} Annotations", "", 30))
    columns = ((16, [s[0] for s in signals]), (80, [""] * 3), (8, [s[1] for s in signals]), (8, ["-100"] * 3),
               (8, ["100"] * 3), (8, ["-32768"] * 3), (8, ["32767"] * 3), (80, [""] * 3), (8, [str(s[2]) for s in signals]),
               (32, [""] * 3))  # fmt: skip
    head = "".join(text.ljust(size) for size, texts in columns for text in texts)
    first = "".join(text.ljust(size) for text, size in (
        ("0", 8), ("X X X X", 80), ("Startdate 01-JAN-2026 X X X", 80), ("01.01.2600.00.00", 16), ("1024", 8),
        (kind + ("+D" if interrupted else "+C"), 44), ("3", 8), ("0.2", 8), ("3", 4)))  # fmt: skip
    rng = np.random.default_rng(2)
    records = b""
    for record in range(3):
        said = f"+{record * 0.2:.1f}\x14\x14\x00+{record * 0.2 + 0.1:.1f}\x14on\x14\x00".encode()
        pulses = (np.arange(200) % 50 < 3) * 100
        whole = np.concatenate([rng.integers(-3000, 3000, 200), pulses]).astype("<i4").view(np.uint8).reshape(-1, 4)[:, :width]
        records += whole.tobytes() + said.ljust(30 * width, b"\0")
    magic = b"\xffBIOSEMI" if bdf else b"0       "
    return magic + (first + head).encode("ascii")[8:] + records


def _edf_file(data: bytes, scratch: Path) -> None:
    path = scratch / "some.edf"
    path.write_bytes(data)
    read_edf(path)
    if data[:8] in (b"\xffBIOSEMI", b"0       "):
        _read(path)


def _imports(home: Path) -> list[bytes]:
    return [_recorded(), *_bdfs(home)]


def _import(data: bytes, scratch: Path) -> None:
    """With the trigger channel that the first seed has; where there is none, by texts."""
    path, session = scratch / "other", scratch / "session"
    path.write_bytes(data)
    shutil.rmtree(session, ignore_errors=True)
    plan = override(Plan(), {"stream": {"eeg": ["1"], "unit": "uV"}, "analysis": ANALYSIS})
    try:
        found = import_recording(path, session, override(plan, {"stream": {"trigger": "trigger"}}), Wanted())
    except IMPORTED:
        found = import_recording(path, session, plan, Wanted(onsets="on*"))
    replay(found.folder)


def plain_run(home: Path, unfinished: bool) -> Path:
    """A run folder of 2.5 s with its files, made by importing a recording that is made here."""
    home.mkdir(exist_ok=True)
    (home / "other").write_bytes(_recorded(samples=2500))
    plan = override(Plan(), {"stream": {"eeg": ["1"], "trigger": "trigger", "unit": "uV"}, "analysis": ANALYSIS})
    folder = import_recording(home / "other", home / "session", plan, Wanted()).folder
    done = replay(folder)
    for event in done.events:
        if event.kept:
            folder.append_event(event.record())
    folder.close()
    if not unfinished:
        now = done.engine.average_now()
        folder.write_average(now.times_ms, *now.columns_uv())
        record = run_record(done.plan, done.verdict, done.engine, stream=done.stream, unit=done.unit, sound=None,
                            calibration=None, failure=None)  # fmt: skip
        folder.write_json(folder.run.name, record)
    return folder.path


class _Run:
    """The recording of a run folder that is whole otherwise."""

    def __init__(self, unfinished: bool) -> None:
        self.unfinished, self._made = unfinished, Path()

    def seeds(self, home: Path) -> list[bytes]:
        self._made = plain_run(home, self.unfinished)
        return [(self._made / "raw.xdf").read_bytes()]

    def carry(self, data: bytes, scratch: Path) -> None:
        run = scratch / "session" / "run-001"
        shutil.rmtree(run.parent, ignore_errors=True)
        shutil.copytree(self._made, run)
        (run / "raw.xdf").write_bytes(data)
        if self.unfinished:
            finish(run)
        else:
            replay(RunFolder.open(run))

    def target(self, name: str) -> Target:
        return Target(name, self.seeds, self.carry, RAW, (*XDF_WORDS, *XML_WORDS))


class _Exported(_Run):
    def carry(self, data: bytes, scratch: Path) -> None:
        run = scratch / "session" / "run-001"
        shutil.rmtree(run.parent, ignore_errors=True)
        shutil.copytree(self._made, run)
        (run / "raw.xdf").write_bytes(data)
        material = export.read_material(run)
        for piece in raw_csv(material):
            assert piece
        refused: Exception | None = None
        for made in (averages_csv, events_csv):
            try:
                made(material)
            except export.ExportError as error:
                refused = error
        with open(scratch / "out.bdf", "wb") as file:
            write_edf(material, file, "bdf")
        if refused is not None:
            raise refused


def _wavs(_: Path) -> list[bytes]:
    from scipy.io import wavfile

    made = []
    sound = np.sin(np.arange(96) / 5)
    for samples in (sound.astype("f4"), (sound * 30000).astype("i2"), (sound * 120 + 128).astype("u1")):
        buffer = io.BytesIO()
        wavfile.write(buffer, 48000, samples)
        made.append(buffer.getvalue())
    return made


def _wav(data: bytes, scratch: Path) -> None:
    path = scratch / "own.wav"
    path.write_bytes(data)
    assert np.isfinite(read_wav(path, 44100.0).samples).all()


def _arrays(_: Path) -> list[bytes]:
    rng = np.random.default_rng(3)
    buffers = [io.BytesIO() for _ in range(3)]
    np.save(buffers[0], rng.normal(size=3000))
    np.save(buffers[1], rng.normal(size=(40, 50)).astype(np.float32))
    np.savez(buffers[2], eeg=rng.normal(size=3000), rate_hz=np.array(RATE_HZ))
    return [buffer.getvalue() for buffer in buffers]


def _array(data: bytes, scratch: Path) -> None:
    path = scratch / ("some.npz" if data.startswith(b"PK") else "some.npy")
    path.write_bytes(data)
    load.cache_clear()
    load(Recording(path, rate_hz=RATE_HZ), BAND_HZ)


TARGETS: tuple[Target, ...] = (
    Target("xml", _descriptions, _xml, (XmlError,), XML_WORDS),
    Target("stream-description", _descriptions, _stream, (ValueError, SourceError), XML_WORDS),
    Target("xdf", _xdfs, _xdf, (XdfError, SourceError), (*XDF_WORDS, *XML_WORDS)),
    Target("xdf-header", lambda home: _descriptions(home)[:2], _xdf_header, (XdfError, SourceError), XML_WORDS),
    Target("bdf-edf", _bdfs, _edf_file, (EdfError, SourceError), EDF_WORDS),
    Target("import", _imports, _import, (*IMPORTED, ReplayError), (*XDF_WORDS, *XML_WORDS, *EDF_WORDS)),
    _Run(unfinished=False).target("raw-replay"),
    _Run(unfinished=True).target("raw-finish"),
    _Exported(unfinished=False).target("raw-export"),
    Target("wav", _wavs, _wav, (ValueError,), WAV_WORDS),
    Target("arrays", _arrays, _array, (RecordingError,), NPY_WORDS),
)
