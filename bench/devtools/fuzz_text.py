"""Every text file that the program reads, as a target: plans, calibrations, tables, patients, certificates; those within the
folders of runs and sessions are in ``quietfloor.bench.devtools.fuzz_runs``."""

from __future__ import annotations

import datetime
import os
import re
import wave
from collections.abc import Callable, Iterable, Sequence
from functools import partial
from pathlib import Path

import tomli_w

import quietfloor.monitor.waves.norms_file
import quietfloor.stimuli.references
from quietfloor.bench.devtools.fuzz_runs import RUN_TARGETS
from quietfloor.bench.devtools.fuzz_target import Target
from quietfloor.bench.patient.profiles import SHIPPED as PATIENTS
from quietfloor.bench.patient.profiles import PatientError, load_patient
from quietfloor.bench.timing_check.options import read_settings
from quietfloor.monitor.core.samples import Layout
from quietfloor.monitor.display.window_settings import WindowSettings, recall, remember
from quietfloor.monitor.hearing.tables import EXAMPLE, HearingError, load_hearing_tables
from quietfloor.monitor.hearing.tables import SHIPPED as HEARING
from quietfloor.monitor.plan.run_plan import Plan, PlanError, load_plan, make_plan
from quietfloor.monitor.run.sound_output import make_stimulus
from quietfloor.monitor.run.timing_certificate import (
    Certificate,
    CertificateError,
    Measured,
    OutputOf,
    StreamOf,
    load_certificate,
    save_certificate,
)
from quietfloor.monitor.session.session_plan import load_session_plan
from quietfloor.monitor.storage.folder_lock import NAME as LOCK
from quietfloor.monitor.storage.folder_lock import InUse, hold, sole_writer
from quietfloor.monitor.waves.norms_file import NormError, load_norms
from quietfloor.stimuli.calibration import CalibrationError, LevelError
from quietfloor.stimuli.calibration_file import load_calibration, read_unsealed, seal
from quietfloor.stimuli.references import load_references

BENCH = Path(__file__).parents[1]
NORMS = Path(quietfloor.monitor.waves.norms_file.__file__).with_name("wave-norms.toml")
REFERENCES = Path(quietfloor.stimuli.references.__file__).with_name("references.toml")
CALIBRATION, VIBRATOR, BONE_TABLES = (BENCH / f"virtual-{name}.toml" for name in ("earphone", "vibrator", "references"))
LAYOUT = Layout(8000.0, ("Cz", "trigger"), (0,), 1, 1.0)
TODAY = datetime.date(2026, 1, 1)
PATHS = (b"calibration", b"references", b"file", b"certificate", b"own", b"/dev/zero", b"/dev/urandom", b"pipe", b"folder",
         b"loop", b"huge", b"nowhere", b"../../../../etc/passwd", b"calibration.toml",
         b"sound.wav", b"wav")  # fmt: skip


def shown(texts: Iterable[str]) -> tuple[bytes, ...]:
    """Words of a format: names of keys and the words in quotes."""
    found: set[str] = set()
    for text in texts:
        found |= set(re.findall(r"[A-Za-z_][A-Za-z_0-9-]{2,30}", text))
    return tuple(sorted(word.encode() for word in found))


def as_file(name: str, load: Callable[[Path], object], data: bytes, scratch: Path) -> None:
    """The bytes under that name, and what a path in them may meet beside it."""
    beside(scratch)
    path = scratch / name
    path.write_bytes(data)
    load(path)


def beside(scratch: Path) -> None:
    """A pipe nobody writes to, a folder, a link to itself, a file of 1 TB that takes no room, a calibration."""
    if (scratch / "calibration.toml").exists():
        return
    os.mkfifo(scratch / "pipe")
    (scratch / "folder").mkdir()
    (scratch / "loop").symlink_to("loop")
    with open(scratch / "huge", "wb") as file:
        file.truncate(10**12)
    with wave.open(str(scratch / "sound.wav"), "wb") as sound:
        sound.setnchannels(1)
        sound.setsampwidth(2)
        sound.setframerate(48000)
        sound.writeframes(bytes(100) + b"\x00\x40" * 50)
    (scratch / "calibration.toml").write_bytes(CALIBRATION.read_bytes())


def _bytes_of(*paths: Path) -> Callable[[Path], Sequence[bytes]]:
    return lambda _: [path.read_bytes() for path in paths]


PLANS = (
    {"title": "clicks", "stream": {"name": "EEG", "eeg": ["Cz"], "trigger": "trigger", "unit": "microvolts"},
     "sound": {"level_db_nhl": 60.0, "ear": "right", "calibration": "calibration.toml"}},
    {"stream": {"source_id": "x", "eeg": [1, 2], "trigger": 3}, "analysis": {"band_hz": [100, 1500], "window_ms": [5.0, 15.0],
     "latency_ms": [5.5, 10.0], "epoch_ms": [-5.0, 20.0], "amplifier_delay_ms": 0.5, "reject_peak_uv": 40.0, "rail_uv": 500.0},
     "decision": {"rule": "fsp:pocock", "alpha": 0.01, "floor_nv": 15.0, "max_sweeps": 2048, "look_every": 32},
     "trigger": {"edge": "rising", "kind": "digital", "refractory_ms": 5.0}, "timing": {"certificate": "certificate.toml"}},
    {"sound": {"stimulus": "tone-burst", "frequency_hz": 1000, "level_db_fs": -30.0, "rate_per_s": 31.1, "ear": "left", "seed": 3,
     "polarity": "alternating", "age_group": "adult", "transducer": "insert", "lead_in_s": 1.0, "sample_rate_hz": 48000,
     "masking": "white", "masking_level_db_fs": -40.0, "device": "lsl", "mains_hz": [50, 60]},
     "decision": {"quiet_nv": 20.0, "floor_nv": 15.0, "max_sweeps": 2048}},
    {"sound": {"stimulus": "chirp", "level_db_nhl": 40.0, "ear": "left", "calibration": "calibration.toml", "rate_per_s": 47.1,
     "masking": "white", "masking_level_db_em": 20.0, "route": "air"}},
    {"sound": {"stimulus": "octave-chirp", "frequency_hz": 500, "level_db_fs": -40.0, "ear": "left", "rate_per_s": 21.1}},
    {"sound": {"stimulus": "custom", "wav": "sound.wav", "wav_zero_ms": 1.0, "level_db_fs": -40.0}},
)  # fmt: skip
SESSION_PLAN = {
    "title": "first visit", "method": "ladder", "confirm": "none", "search": {"width_db": 10, "widest_db": 14},
    "subject": {"pseudonym": "s07", "age_group": "adult", "age_months": 300},
    "condition": [
        {"ear": "right", "stimulus": "click", "start_db_nhl": 40.0},
        {"ear": "left", "route": "air", "stimulus": "tone-burst", "frequency_hz": 1000, "lowest_db_nhl": 10.0,
         "highest_db_nhl": 70.0, "sound": {"rate_per_s": 31.1}},
    ],
    "steps": {"first_db": 20.0, "last_db": 10.0}, "replicates": {"present": 2, "absent": 2, "most": 3},
    "limits": {"start_db_nhl": 40.0, "lowest_db_nhl": 0.0, "highest_db_nhl": 80.0, "minutes": 60.0},
    "hearing": {"tables": [], "noise_transducer": "insert"},
    "masking": {"noise": "white"},
    "run": {"stream": {"name": "EEG", "eeg": ["Cz"], "trigger": "trigger"}, "sound": {"calibration": "calibration.toml"},
            "decision": {"floor_nv": 15.0}},
}  # fmt: skip
SETTINGS = (b"output=3", b'device = "USB"', b"speed=2", b"block=256\nears=1", b"level_db_fs=-20", b"device_source_id=a")


def _plans(_: Path) -> list[bytes]:
    return [tomli_w.dumps(plan).encode() for plan in PLANS]


def _load_plan(path: Path) -> None:
    """As far as `quietfloor run` goes with it before it looks for a stream, and what it keeps in the folder of the run."""
    plan = load_plan(path)
    assert Plan.model_validate(make_plan(plan.model_dump(mode="json", exclude_none=True)).model_dump()) == plan
    plan.to_toml()
    if plan.sound is not None:
        make_stimulus(plan.sound, TODAY, sweeps=plan.decision.max_sweeps).frames.read(480)
    plan.engine_settings(LAYOUT)


def _load_session_plan(path: Path) -> None:
    plan = load_session_plan(path)
    plan.to_toml()
    for index in range(len(plan.conditions)):
        plan.longest_s(index)


def _load_calibration(path: Path) -> None:
    """Changed by hand and sealed again: what is not sealed is refused before it is looked at."""
    calibration, kept = read_unsealed(path)
    if kept is None or len(kept) % 2:
        seal(path)
    load_calibration(path)
    for ear in ("left", "right"):
        calibration.full_scale_db_ppe(ear)


def _certificates(home: Path) -> list[bytes]:
    entry = Measured(
        rate_hz=8000.0, issued=TODAY, valid_days=90, sounds=500, offset_ms=0.1, sd_ms=0.01, min_ms=0.0, max_ms=0.2, drift_ppm=1.0,
        drift_se_ppm=0.1, missing_triggers=0, double_triggers=0, missing_sounds=0, double_sounds=0, wrong_polarity=0, breaks=0,
        trigger_edges="digital", sound_channel="3", version="any",
    )  # fmt: skip
    certificate = Certificate(
        output=OutputOf(device="virtual-earphone", host_interface="lsl", rate_hz=48000.0),
        stream=StreamOf(name="EEG", source_id="bench", trigger="trigger", edge="auto", kind="auto"),
        measured=(entry, entry.model_copy(update={"rate_hz": 16000.0})),
    )
    save_certificate(home / "certificate.toml", certificate)
    return [(home / "certificate.toml").read_bytes()]


def _load_certificate(path: Path) -> None:
    for entry in load_certificate(path).measured:
        assert entry.expires >= entry.issued


def _hearing_tables(_: Path) -> list[bytes]:
    """The example is refused until its sources are named."""
    return [EXAMPLE.read_bytes().replace(b'source = ""', b'source = "made"'), HEARING.read_bytes()]


def _remembered(home: Path) -> list[bytes]:
    remember(home / "window.json", WindowSettings())
    return [(home / "window.json").read_bytes()]


def _settings(data: bytes, _: Path) -> None:
    """What stands behind --set on a command line: never more than the system lets through."""
    read_settings([line for line in data[:100_000].decode("utf-8", "surrogateescape").replace("\0", "").splitlines() if line])


def _refused(path: Path) -> None:
    """What the lock of another program says of it."""
    with open(path, "r+b") as file:
        assert hold(file.fileno())
        with sole_writer(path.parent):
            pass


TARGETS: tuple[Target, ...] = (
    Target("plan", _plans, partial(as_file, "plan.toml", _load_plan), (PlanError,),
           (*shown(map(str, PLANS)), *PATHS, b"masking", b"bone-vibrator", b"infant")),
    Target("session-plan", lambda _: [tomli_w.dumps(SESSION_PLAN).encode()],
           partial(as_file, "session-plan.toml", _load_session_plan), (PlanError,), (*shown([str(SESSION_PLAN)]), *PATHS)),
    Target("calibration", _bytes_of(CALIBRATION, VIBRATOR), partial(as_file, "calibration.toml", _load_calibration),
           (CalibrationError,), shown([CALIBRATION.read_text(encoding="utf-8")])),
    Target("references", _bytes_of(REFERENCES, BONE_TABLES), partial(as_file, "references.toml", load_references), (LevelError,),
           shown([BONE_TABLES.read_text(encoding="utf-8")])),
    Target("hearing-tables", _hearing_tables, partial(as_file, "hearing.toml", load_hearing_tables), (HearingError,),
           shown([EXAMPLE.read_text(encoding="utf-8")])),
    Target("norms", _bytes_of(NORMS), partial(as_file, "norms.toml", load_norms), (NormError,),
           shown([NORMS.read_text(encoding="utf-8")])),
    Target("certificate", _certificates, partial(as_file, "certificate.toml", _load_certificate), (CertificateError,)),
    Target("patient", _bytes_of(*sorted(PATIENTS.glob("*.toml"))), partial(as_file, "patient.toml", load_patient),
           (PatientError,), shown(path.read_text(encoding="utf-8") for path in PATIENTS.glob("*.toml"))),
    Target("window-settings", _remembered, partial(as_file, "window.json", recall), ()),
    Target("lock", lambda _: [b'{"pid": 1234, "since": "2026-01-01T00:00:00+00:00"}\n'], partial(as_file, LOCK, _refused),
           (InUse,)),
    Target("settings", lambda _: SETTINGS, _settings, (PlanError,)),
    *RUN_TARGETS,
)  # fmt: skip
