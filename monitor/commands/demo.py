"""``quietfloor demo``: the whole loop on the virtual patient, without any hardware."""

from __future__ import annotations

import argparse
import contextlib
import json
import subprocess
import sys
import tempfile
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quietfloor.monitor.commands.common import BAD_ARGUMENTS, DONE, FAILED, FAULT, add_json, give_json, hand_over, refuse, say
from quietfloor.monitor.commands.window import add_window, with_window

if TYPE_CHECKING:
    from quietfloor.monitor.display.run_view import WindowLink

EXAMPLES = """examples:
  quietfloor demo                      three runs: an ear that hears, one that does not, and a muted control
  quietfloor demo --speed 1            in real time
  quietfloor demo --only hearing --out sessions/first
  quietfloor demo --teach              a lesson, sweep by sweep; it can reveal the true response; with --no-window as text

Everything is virtual and seeded. The player sends the sound as audio frames to a virtual patient, which is a separate process.
The EEG of the patient comes back over Lab Streaming Layer. Each run is then replayed from disk and must give the same looks.
exit status: 0 every run ended as it should and replays identically, 1 one did not, 3 a fault"""

TUBE_DELAY_MS = 0.9
BETWEEN_S = 10.0  # between two scenes in the window; pausing the view keeps the finished one
LINGER_S = 120.0  # until the window of a demonstration that nobody touches any more is closed


@dataclass(frozen=True)
class Scene:
    """One run of the demonstration: the patient, what is played, and how it may end."""

    name: str
    title: str
    patient: str
    may_end: tuple[str, ...]
    muted: bool = False
    floor_nv: float = 20.0
    max_sweeps: int = 4096


SCENES = (
    Scene("hearing", "An ear that hears it", "hearing-adult", ("response_present",)),
    Scene("deaf", "An ear that does not hear it", "quiet-deaf", ("response_absent", "inconclusive")),
    Scene("muted", "Control: the hearing ear, sound muted", "quiet-sleeper", ("response_absent", "inconclusive"), muted=True),
)


def add(commands: Any) -> None:
    parser = commands.add_parser(
        "demo", help="the whole loop on a virtual patient", description="Three complete runs without hardware.", epilog=EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("--only", choices=[scene.name for scene in SCENES], help="one of the three runs")
    parser.add_argument("--level", type=float, default=60.0, metavar="DB", help="click level in dB nHL (60)")
    parser.add_argument("--teach", action="store_true", help="a lesson about averaging and deciding, sweep by sweep")
    parser.add_argument("--speed", type=float, default=4.0, metavar="X", help="speed as a multiple of real time (4)")
    parser.add_argument("--alpha", type=float, default=0.01, metavar="A", help="false-alarm rate of a whole run (0.01)")
    parser.add_argument("--out", type=Path, metavar="DIR", help="session folder (a new temporary one)")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="seed of the EEG and of the random pauses (1)")
    add_window(parser)
    add_json(parser)
    parser.set_defaults(do=main)


@contextlib.contextmanager
def rig(patient: str, audio_id: str, eeg_id: str, seed: int) -> Iterator[dict[str, Any]]:
    """Run a rig process for one run; yields its message that it is ready. Raises RuntimeError if it does not become ready."""
    command = [
        sys.executable, "-P", "-m", "quietfloor.bench.patient.rig", "--patient", patient, "--audio-source-id", audio_id,
        "--eeg-source-id", eeg_id, "--eeg-name", f"Virtual EEG {eeg_id}", "--seed", str(seed),
        "--tube-delay-ms", str(TUBE_DELAY_MS),
    ]  # fmt: skip
    with tempfile.TemporaryFile("w+") as log:
        process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=log, text=True)
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            line = process.stdout.readline()
            if not line:
                log.seek(0)
                raise RuntimeError(f"the virtual patient did not start: {log.read().strip() or 'no reason given'}")
            yield json.loads(line)
        finally:
            with contextlib.suppress(OSError):
                process.stdin.close()  # the rig ends when its standard input closes
            try:
                process.wait(5.0)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            process.stdout.close()


def virtual_calibration() -> Path:
    """The calibration of the virtual earphone. Raises RuntimeError."""
    from quietfloor.monitor.begin.places import bench_folder

    return bench_folder() / "virtual-earphone.toml"


def scene_plan(scene: Scene, args: argparse.Namespace, audio_id: str, eeg_id: str) -> Any:
    from quietfloor.monitor.plan.run_plan import make_plan

    return make_plan(
        {
            "title": scene.title,
            "stream": {"source_id": eeg_id, "eeg": ["1"], "trigger": "trigger"},
            "sound": {
                "level_db_nhl": args.level,
                "ear": "right",
                "muted": scene.muted,
                "calibration": str(virtual_calibration()),
                "device_source_id": audio_id,
                "speed": args.speed,
                "lead_in_s": 1.0,
                "seed": args.seed,
            },
            "analysis": {"acoustic_delay_ms": TUBE_DELAY_MS},
            "decision": {"alpha": args.alpha, "floor_nv": scene.floor_nv, "max_sweeps": scene.max_sweeps},
        },
        "demo",
    )


def main(args: argparse.Namespace) -> int:
    from quietfloor.monitor.plan.run_plan import PlanError
    from quietfloor.monitor.sources.base import SourceError

    if args.teach:
        return teach(args)
    try:
        return with_window(args, partial(demonstrate, args))
    except PlanError as error:
        return refuse(error, BAD_ARGUMENTS, args)
    except (SourceError, RuntimeError, OSError) as error:
        return refuse(error, FAILED, args)


def teach(args: argparse.Namespace) -> int:
    """Run the lesson, which is part of the bench, in a separate process."""
    text = ["--no-window"] if args.no_window else []
    return hand_over("quietfloor.bench.teach.program", "--seed", str(args.seed), *text)


def demonstrate(args: argparse.Namespace, link: WindowLink | None) -> int:
    """Play one scene after the other; in a window the next one waits until the user wants it, or for some seconds."""
    session = args.out or Path(tempfile.mkdtemp(prefix="quietfloor-demo-"))
    scenes = [scene for scene in SCENES if args.only in (None, scene.name)]
    results: list[dict[str, Any]] = []
    for scene in scenes:
        if results and link is not None and not link.gone and not link.offer(scene.title, BETWEEN_S):
            break
        results.append(play(scene, session, args, link))
        if results[-1]["stopped_by"] in ("operator", "fault"):
            break  # Ctrl-C means the demonstration, not only this run; a fault would only come again
    status = conclude(results, session, args)
    if link is not None:
        link.linger(LINGER_S)
    return status


def conclude(results: list[dict[str, Any]], session: Path, args: argparse.Namespace) -> int:
    """Print the result; returns the exit status."""
    say("", args)
    for result in results:
        ok = "as it should" if result["as_expected"] else "NOT AS IT SHOULD"
        same = "replays identically" if result["identical"] else "REPLAYS DIFFERENTLY"
        say(f"{result['scene']:8} {result['verdict']:17} {ok}; {same} ({result['looks']} looks); {result['folder']}", args)
    give_json({"session": str(session), "runs": results}, args)
    if any(result["stopped_by"] == "fault" for result in results):
        return FAULT
    return DONE if all(result["as_expected"] and result["identical"] for result in results) else FAILED


def play(scene: Scene, session: Path, args: argparse.Namespace, link: WindowLink | None = None) -> dict[str, Any]:
    """Play one scene: rig, run, replay."""
    from quietfloor.monitor.commands.run import carry_through
    from quietfloor.monitor.review.replay import replay
    from quietfloor.monitor.storage.run_folder import RunFolder

    tag = uuid.uuid4().hex[:8]
    audio_id, eeg_id = f"quietfloor-audio-{tag}", f"quietfloor-eeg-{tag}"
    plan = scene_plan(scene, args, audio_id, eeg_id)
    say(f"\n{scene.title}", args)
    with rig(scene.patient, audio_id, eeg_id, args.seed + SCENES.index(scene)):  # no two scenes with the same EEG
        record = carry_through(plan, session, args, link=link)
    again = replay(RunFolder.open(record["folder"]))
    return {
        "scene": scene.name,
        "verdict": record["verdict"],
        "stopped_by": record["stopped_by"],
        "reason": record["reason"],
        "as_expected": record["verdict"] in scene.may_end and record["stopped_by"] != "fault",
        "looks": again.looks,
        "identical": again.identical,
        "evidence": record["evidence"],
        "residual_noise_nv": record["residual_noise_nv"],
        "sweeps_accepted": record["sweeps_accepted"],
        "folder": record["folder"],
    }
