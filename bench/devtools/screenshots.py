"""Pictures of the window and of the lesson for the pages, made by the windows themselves on runs of the virtual patient.

    python -m quietfloor.bench.devtools.screenshots --out docs/images
    python -m quietfloor.bench.devtools.screenshots --only lesson

Qt paints into memory; nothing is shown, and no network is used. Each run is a real one: sound frames into the patient, its EEG
into the journal and the engine, and into the window what a live run, or a recorded one, would show. Seeds are fixed.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from PIL import Image

from quietfloor.bench.patient.offline import PatientSource, carry_through, conclude, plan_for, prepare
from quietfloor.bench.patient.profiles import Patient, load_patient
from quietfloor.bench.teach.classroom import Classroom
from quietfloor.bench.teach.minutes import HALF_HOUR
from quietfloor.bench.teach.vote import CHOICES
from quietfloor.monitor.commands.session_window import Lead
from quietfloor.monitor.display.feed import Feed
from quietfloor.monitor.display.run_view import RunView, WindowLink, moments_of, view_model
from quietfloor.monitor.plan.run_plan import Plan, load_run_plan, override
from quietfloor.monitor.review.playback import FASTEST, Playback
from quietfloor.monitor.run.run import Run
from quietfloor.monitor.session.session import Session
from quietfloor.monitor.session.session_plan import make_session_plan
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.monitor.untrusted.bounded_io import json_of

SIZE = (1280, 720)
MOST_BYTES = 150_000
COLOURS = 128
SETTLE_S = 0.25
FLOOR_NV, QUIET_NV, MOST_SWEEPS = 20.0, 25.0, 6144
EARLIER = ((60.0, 1), (40.0, 2), (20.0, 11))  # level in dB nHL and seed of the runs that were made before in the session
SEARCH_LEVELS = tuple(float(level) for level in range(0, 95, 5))
SEARCH_SEED, SEARCH_S = 5, 30.0  # the search that is shown, at this moment of its stream
EARLIER_DAY = "2026-01-15T10:00:00+00:00"
SOUNDS: tuple[tuple[str, dict[str, float]], ...] = (
    ("click", {}), ("octave-chirp", {"frequency_hz": 2000.0}), ("octave-chirp", {"frequency_hz": 500.0}),
)  # fmt: skip
PRESENT, ABSENT, CLEAR = (40.0, 7), (20.0, 13), (60.0, 4)  # of those that are shown
LESSON_SEED, LESSON_BYTES, LESSON_COLOURS = 1, 90_000, 48
LESSON_TAKEN = {"8 to 10": "answer", "10 to 12": "hum", "14 to 15": "quiet", "15 to 17": "jitter"}
HANDS = {  # invented: yes, no and wait, by minutes and sweeps
    ("3 to 8", 64): (3, 6, 15), ("3 to 8", 256): (8, 4, 12), ("3 to 8", 1024): (18, 2, 4),
    ("20 to 24", 256): (6, 3, 15), ("20 to 24", 512): (4, 9, 11), ("20 to 24", 1024): (2, 17, 5),
}  # fmt: skip
HANDS_SHOWN = 1024


def invented() -> Patient:
    """Somebody who hears from 30 dB on with the right ear, and moves now and then."""
    patient = load_patient("hearing-adult")
    background = replace(patient.background, in_band_rms_uv=1.3, bursts_per_min=7.0)
    return replace(patient, right=replace(patient.right, threshold_db_nhl=30.0), background=background)


@dataclass
class Studio:
    """A window in memory with a session behind it."""

    window: Any
    link: WindowLink
    session: Path
    spin: Callable[[float], None]
    out: Path

    def until(self, true: Callable[[], object]) -> None:
        end_s = time.monotonic() + 120.0
        while not true():
            if time.monotonic() > end_s:
                raise RuntimeError("the run did not get where a picture is to be taken")
            self.spin(0.02)

    def take(self, name: str) -> Path:
        """A picture of the window as it stands."""
        self.window.tick()
        self.spin(SETTLE_S)
        path = self.out / f"{name}.png"
        if not self.window.grab().save(str(path)):
            raise RuntimeError(f"{path} cannot be written")
        smaller(path)
        return path

    def live(self, level_db_nhl: float, seed: int, **decision: Any) -> AbstractContextManager[tuple[Run, PatientSource]]:
        """A run at one level: see ``live_plan``."""
        title = f"right ear · click · {level_db_nhl:g} dB nHL · 47.1/s · timing not verified"
        return self.live_plan(planned(level_db_nhl, **decision), invented(), seed, title)

    @contextmanager
    def live_plan(self, plan: Plan, patient: Patient, seed: int, title: str) -> Iterator[tuple[Run, PatientSource]]:
        """A live run that gives nothing before ``until_s`` is moved; it is carried to its end and has its record afterwards."""
        feed = Feed()
        run, source, stimulus = prepare(
            plan, patient, self.session, seed, optional=[feed.on_event], on_signal=feed.on_signal, on_status=feed.on_status
        )
        source.until_s = 0.0
        self.link.show(RunView(run, view_model(feed, plan, title), self.session))
        run.start()
        try:
            yield run, source
        finally:
            source.until_s = float("inf")
            self.until(lambda: run.wait(0))
            conclude(run, source, stimulus)
            self.link.recorded()
            self.spin(0.1)

    def at(self, run: Run, source: PatientSource, seconds: float) -> None:
        """On to this moment of the stream."""
        source.until_s = seconds
        self.until(lambda: source.seconds >= seconds and (run.status.seconds >= seconds - 0.1 or run.engine is None))
        self.spin(0.1)


def planned(level_db_nhl: float, **decision: Any) -> Any:
    return plan_for(level_db_nhl, 2, floor_nv=FLOOR_NV, max_sweeps=MOST_SWEEPS, **decision)


def search_plan() -> Plan:
    """Two frequencies in each of both ears at once."""
    conditions = [
        {"ear": ear, "stimulus": "octave-chirp", "frequency_hz": hz, "levels_db_nhl": SEARCH_LEVELS, "sound": number}
        for number, hz in ((2, 2000), (1, 500))
        for ear in ("right", "left")
    ]
    plan = planned(SEARCH_LEVELS[-1])
    sound = {"stimulus": "octave-chirp", "frequency_hz": 2000, "rate_per_s": 36.1, "seed": SEARCH_SEED, "together": True}
    sound |= {"sounds_per_ear": 2}
    band = {"band_hz": (30.0, 1500.0)}
    return override(plan, {"sound": sound, "analysis": band, "search": {"condition": conditions}})


def sleeper() -> Patient:
    """Somebody who sleeps, and hears less on the left."""
    patient = load_patient("quiet-sleeper")
    background = replace(patient.background, in_band_rms_uv=0.6)
    return replace(
        patient, background=background, right=replace(patient.right, threshold_db_nhl=18.0),
        left=replace(patient.left, threshold_db_nhl=42.0),
    )  # fmt: skip


def smaller(path: Path, most_bytes: int = MOST_BYTES, colours: int = COLOURS) -> None:
    """Few colours where the file would be large; charts have few anyway."""
    if path.stat().st_size > most_bytes:
        with Image.open(path) as picture:
            reduced = picture.convert("RGB").quantize(colours)
        reduced.save(path, optimize=True)


def shoot(studio: Studio) -> list[Path]:
    """All pictures, in the order in which a session goes."""
    window, taken = studio.window, []
    with studio.live(*PRESENT) as (run, source):
        studio.at(run, source, 0.5)
        taken.append(studio.take("waiting"))
        studio.at(run, source, 7.5)
        taken.append(studio.take("undecided-early"))
        studio.at(run, source, 21.0)
        taken.append(studio.take("undecided-late"))
        window.do("theme")
        taken.append(studio.take("dark"))
        window.do("theme")
    taken.append(studio.take("response-present"))
    with studio.live(*ABSENT) as (run, _):
        pass
    taken.append(studio.take("no-response"))
    window.do("projector")
    taken.append(studio.take("projector"))
    window.do("projector")
    with studio.live(*CLEAR, quiet_nv=QUIET_NV) as (run, source):  # quiet enough for waves to be told
        studio.at(run, source, 24.0)
        taken.append(studio.take("averaging-on"))
    window.do("waves")
    taken.append(studio.take("waves"))
    window.do("waves")
    taken.append(back(studio, run.folder))
    taken.append(board(studio))
    taken += session_view(studio)
    window.do("keys")
    studio.spin(SETTLE_S)
    path = studio.out / "keys.png"
    window.sheet.grab().save(str(path))
    smaller(path)
    window.sheet.reject()
    return [*taken, path]


def board(studio: Studio) -> Path:
    """A search that goes on."""
    with studio.live_plan(search_plan(), sleeper(), SEARCH_SEED, "500 Hz and 2 kHz · timing not verified") as (run, source):
        studio.at(run, source, SEARCH_S)
        path = studio.take("search-board")
        run.stop()
    return path


def start_page(studio: Studio, settings: Path) -> Path:
    """The grid of a new session on the start page; what is seen is invented."""
    from quietfloor.monitor.begin.choices import Seen, find_calibrations
    from quietfloor.monitor.begin.draft import Cell
    from quietfloor.monitor.begin.lookout import Lookout
    from quietfloor.monitor.begin.places import Places, Remembered, bench_folder
    from quietfloor.monitor.display.start import StartWindow
    from quietfloor.monitor.sources.base import StreamDescription

    class Invented(Lookout):
        def _look(self) -> None:
            self._again.wait()
            self._again.clear()

    amplifier = StreamDescription(
        "Laboratory amplifier", "EEG", "sn-17", "", "uid", 0.0, 3, 16_000.0, "float32", ("Cz-M2", "Cz-M1", "TRIG"),
        ("microvolts", "microvolts", ""),
    )  # fmt: skip
    lookout = Invented(Places(settings, Remembered(str(settings / "sessions"))))
    lookout.seen = Seen((amplifier,), outputs=(), calibrations=find_calibrations([bench_folder()], []))
    lookout.start()
    window = StartWindow(lookout, settings=settings / "window.json")
    window.resize(*SIZE)
    window.show()
    here = replace(studio, window=window)
    window.do("session")
    maker = window.maker
    here.until(lambda: maker.newest is not None and bool(maker.draft.stream))
    cells = [Cell(ear, "air", "octave-chirp", hz) for hz in (2000.0, 500.0) for ear in ("right", "left")]  # type: ignore[arg-type]
    maker.edit(replace(maker.draft, device="lsl", per_s=37.1, grid=tuple(cells)))
    maker.go(maker.steps.index("conditions"))
    here.until(lambda: maker.ready)
    taken = here.take("start-session")
    window.close()
    lookout.close()
    return taken


def session_view(studio: Studio) -> list[Path]:
    """A session between two runs, and its large letters."""
    for path in studio.session.glob("run-*/run.json"):  # of an earlier day: no dose is counted in runs into memory
        path.write_text(json.dumps(json_of(path) | {"started": EARLIER_DAY}), encoding="utf-8")
    plan = planned(EARLIER[0][0])
    tables = plan.model_dump(mode="json", exclude_none=True)
    own = {"calibration": tables["sound"]["calibration"], "rate_per_s": 39.1}
    session = Session.begin(studio.session, make_session_plan({
        "method": "ladder", "title": "Thresholds", "subject": {"pseudonym": "S07", "age_group": "adult"},
        "condition": [{"ear": ear, "stimulus": kind} | hz for kind, hz in SOUNDS for ear in ("right", "left")],
        "limits": {"minutes": 45.0}, "run": {"stream": tables["stream"], "sound": own},
    }))  # fmt: skip
    talk = studio.link.talk
    lead = Lead(session, argparse.Namespace(minutes=None, masking=False), studio.link, by_words=False)
    talk.sight = lead.sight(lead.ready())
    with talk.between_runs():
        studio.spin(SETTLE_S)
        taken = [studio.take("session-view")]
        studio.window.do("far")
        taken.append(studio.take("large-letters"))
        studio.window.do("far")
    talk.sight = None
    studio.spin(SETTLE_S)
    return taken


def back(studio: Studio, folder: RunFolder) -> Path:
    """A recorded run, looked back at."""
    plan, feed = load_run_plan(folder.plan), Feed()
    assert plan.sound is not None
    play = Playback(folder, plan, speed=FASTEST, optional=[feed.on_event], on_signal=feed.on_signal, on_status=feed.on_status)
    model = view_model(feed, plan, f"right ear · click · {plan.sound.level_db_nhl:g} dB nHL")
    studio.link.show(RunView(play, model, studio.session, moments_of(folder)))
    play.start()
    studio.until(lambda: play.wait(0))
    play.speed = 4.0
    studio.spin(0.1)
    studio.window.do("play")
    model.show(model.looks // 2)
    return studio.take("replay-looking-back")


def lesson(out: Path, spin: Callable[[float], None]) -> list[Path]:
    """The half hour of the lesson, key by key as its sheet says; the hands are invented."""
    from quietfloor.bench.teach.window import TeachWindow

    window, taken = TeachWindow(Classroom(seed=LESSON_SEED)), []
    window.resize(*SIZE)
    window.show()

    def take(name: str) -> None:
        window.tick()
        spin(SETTLE_S)
        path = out / f"lesson-{name}.png"
        window.grab().save(str(path))
        smaller(path, LESSON_BYTES, LESSON_COLOURS)
        taken.append(path)

    for part in HALF_HOUR:
        for action in part.actions:
            window.do(action)
            window.room.step(window.pending)
            window.pending = 0
            hands = HANDS.get((part.minutes, window.room.sweeps), ()) if action in ("double", "step_256") else ()
            for choice, count in zip(CHOICES, hands, strict=False):
                for _ in range(count):
                    window.do(f"add_{choice}")
            if action == "weighted" and window.average.shown == "both":
                take("weighted")
            if action == "step_256" and hands and window.room.sweeps == HANDS_SHOWN:
                take("vote")
        if part.minutes in LESSON_TAKEN:
            take(LESSON_TAKEN[part.minutes])
    window.do("count")  # which the last part began
    window.close()
    return taken


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m quietfloor.bench.devtools.screenshots", description=(__doc__ or "").partition("\n")[0]
    )
    parser.add_argument("--out", type=Path, default=Path("docs/images"), metavar="DIR", help="folder for pictures (docs/images)")
    parser.add_argument("--only", choices=("window", "lesson"), default="", help="only these pictures (all)")
    args = parser.parse_args(arguments)
    os.environ["QT_QPA_PLATFORM"] = "offscreen"
    from PyQt5.QtCore import QCoreApplication

    from quietfloor.monitor.display.app import application, guarded
    from quietfloor.monitor.display.window import Window

    def spin(seconds: float) -> None:
        end_s = time.monotonic() + seconds
        while time.monotonic() < end_s:
            QCoreApplication.processEvents()
            time.sleep(0.002)

    args.out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="quietfloor-pictures-") as folder, guarded():
        application()
        for path in lesson(args.out, spin) if args.only != "window" else ():
            sys.stdout.write(f"{path} {path.stat().st_size / 1000:.0f} kB\n")
        if args.only == "lesson":
            return 0
        session, link = Path(folder) / "s07", WindowLink()
        for level_db_nhl, seed in EARLIER:
            carry_through(planned(level_db_nhl), invented(), session, seed)
        window = Window(link)
        window.resize(*SIZE)
        window.show()
        studio = Studio(window, link, session, spin, args.out)
        for path in (start_page(studio, Path(folder) / "settings"), *shoot(studio)):
            sys.stdout.write(f"{path} {path.stat().st_size / 1000:.0f} kB\n")
        window.finish()
    return 0


if __name__ == "__main__":
    sys.exit(main())
