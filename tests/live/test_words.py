"""What a person reads: the sentence, and the view in the terminal in every state. No nan is ever shown."""

from __future__ import annotations

import io
import math
import threading
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from rich.console import Console

from quietfloor.monitor.core.events import AverageNow, Gap, LookDone, RateMismatch, Verdict
from quietfloor.monitor.core.stopping import StoppedBy
from quietfloor.monitor.display import textview
from quietfloor.monitor.plan.run_plan import Plan
from quietfloor.monitor.run import status_text
from quietfloor.monitor.run.status import TRANSITIONS, State, Status

KNOWN: dict[str, Any] = {
    "sample": 80_000,
    "sweeps_presented": 1312,
    "sweeps_accepted": 1280,
    "rejected": {"peak": 30, "gap": 2},
    "evidence": 1.24,
    "rule": "evidence",
    "measure": "evidence",
    "standing": 1.24,
    "needed": 2.0,
    "p_value": 0.05,
    "residual_noise_nv": 31.4,
    "noise_cause": "within units",
    "within_units_nv": 31.4,
    "between_units_nv": 30.0,
    "single_point_nv": 33.0,
    "plus_minus_nv": 29.0,
    "fsp": 2.2,
    "upper_limit_nv": 80.0,
    "lost_samples": 0,
    "noise_repeats": False,
}
# Whatever else a look carries is not known here, and must not be shown as nan either.
UNSAID = {field.name: (math.nan,) * 3 if "tuple" in str(field.type) else math.nan for field in fields(LookDone)}
LOOK = LookDone(**(UNSAID | KNOWN))
UNKNOWN = replace(
    LOOK,
    sweeps_presented=32,
    sweeps_accepted=0,
    rejected={"flat": 32},
    standing=math.nan,
    evidence=math.nan,
    p_value=math.nan,
    residual_noise_nv=math.nan,
    noise_cause="unknown",
    within_units_nv=math.nan,
    between_units_nv=math.nan,
    single_point_nv=math.nan,
    plus_minus_nv=math.nan,
    fsp=math.nan,
    upper_limit_nv=math.nan,
)
REPEATS = replace(LOOK, noise_cause="between units", within_units_nv=25.0, between_units_nv=30.0, noise_repeats=True)
NOTHING = {"standing": math.nan, "evidence": math.nan, "p_value": math.nan}
EARLY = replace(LOOK, sweeps_presented=128, sweeps_accepted=128, rejected={}, **NOTHING)
LOOKS = {
    "no look": None,
    "usual": LOOK,
    "early": EARLY,
    "nothing known": UNKNOWN,
    "negative": replace(LOOK, evidence=-3.2, standing=-3.2),
    "by Fsp": replace(LOOK, rule="fsp", measure="p_value", standing=1.5, needed=3.05),
    "by a ratio": replace(LOOK, rule="guidance_clear", measure="ratio", standing=0.7, needed=3.0),
    "no look of its own": replace(LOOK, rule="hotelling", measure="p_value", standing=math.nan, needed=3.05),
    "no noise": replace(LOOK, residual_noise_nv=0.0),
    "one sweep": replace(EARLY, sweeps_accepted=1, residual_noise_nv=math.nan),
}
TIMES_MS = np.linspace(-2, 20, 353)
SURE = replace(LOOK, evidence=2.4, standing=2.4)
AHEAD = {"forecast_low_sweeps": 800.0, "forecast_high_sweeps": 1200.0, "sweeps_per_s": 40.0}
WAITS = replace(SURE, waits_for_nv=20.0, **AHEAD)
LOOKS |= {"waits": WAITS}
AVERAGES = {
    "none": None,
    "a curve": AverageNow(TIMES_MS, *(np.sin(TIMES_MS)[np.newaxis] for _ in range(4))),
    "nothing yet": AverageNow(TIMES_MS, *(np.full((1, 353), np.nan) for _ in range(4))),
    "zeros": AverageNow(TIMES_MS, *(np.zeros((1, 353)) for _ in range(4))),
}
VERDICTS: dict[str, Verdict | None] = {"none": None} | {
    stopped_by: Verdict(90_000, outcome, stopped_by, f"because of {stopped_by}")
    for outcome, stopped_by in (
        ("response_present", "response"),
        ("response_absent", "noise_floor"),
        ("response_absent", "upper_limit"),
        ("inconclusive", "sweep_limit"),
        ("inconclusive", "operator"),
        ("inconclusive", "fault"),
    )
}
FOUND_AND_STOPPED = Verdict(90_000, "response_present", "operator", "because it was found")


def shown(status: Status) -> str:
    console = Console(record=True, width=200, file=io.StringIO())
    console.print(textview.panel(status, Plan(), "right ear · click"))
    return console.export_text()


def assert_readable(status: Status) -> None:
    for variant in (status, replace(status, silent=True), replace(status, no_trigger=True)):
        text = shown(variant) + textview.one_line(variant, 15.0)
        assert "nan" not in text.lower()
        assert "inf" not in text.lower()
        assert "None" not in text
        assert "right ear · click" in text
        assert "! two" in text
        assert "! one" not in text


@pytest.mark.parametrize("state", TRANSITIONS)
@pytest.mark.parametrize("look", LOOKS)
def test_the_view_is_drawn_in_every_state(state: State, look: str) -> None:
    for verdict in VERDICTS.values():
        status = Status(state, LOOKS[look], verdict, AVERAGES["a curve"], 12.3, 4.5, notices=("one", "two", "three"))
        assert_readable(status)


@pytest.mark.parametrize("average", AVERAGES)
def test_the_view_is_drawn_with_every_average(average: str) -> None:
    assert_readable(Status("running", LOOK, None, AVERAGES[average], 12.3, 4.5, notices=("one", "two", "three")))


def test_the_figures_are_those_of_the_look() -> None:
    text = shown(Status("running", LOOK, None, AVERAGES["a curve"], 27.9, 3.0))
    for words in (
        "Undecided: evidence 1.2 of 2.0, noise 31 nV of 15 nV",
        "1.24 of 2.00",
        "31.4 nV of 15 nV",
        "1,312 of at most 6,144",
        "32 rejected (30 too large, 2 with samples lost)",
        "3 ms · 27.9 s of EEG · running",
        "-1000 to +1000 nV",
    ):
        assert words in text


@pytest.mark.parametrize(
    ("status", "words"),
    [
        (Status("ready"), "Checking the stream"),
        (Status("checking"), "Checking the stream"),
        (Status("running"), "Undecided: no sweeps yet"),
        (Status("running", silent=True), "Waiting: no samples arrive"),
        (Status("running", no_trigger=True), "Waiting: no triggers arrive"),
        (Status("running", look=UNKNOWN), "Undecided: no usable sweep among 32"),
        (Status("running", look=EARLY), "Undecided: evidence from 256 sweeps on, noise 31 nV of 15 nV"),
        (Status("running", look=LOOKS["one sweep"]), "noise not known yet"),
        (Status("running", look=replace(LOOK, noise_cause="between units")), "noise 31 nV of 15 nV (by the spread between"),
        (Status("running", look=REPEATS), "(20 % more between units than within: something repeats with the stimulus)"),
        (Status("running", look=WAITS), "Response present: averaging on for its waves, noise 31 nV of 20 nV, quiet enough in"),
        (Status("done", SURE, VERDICTS["response"]), "Response present: evidence 2.4 (2.0 needed), noise 31 nV"),
        (Status("done", LOOK, VERDICTS["response"]), "Response present: because of response"),  # it was found at a look before
        (Status("done", LOOK, VERDICTS["noise_floor"]), "No response at this noise floor: because of noise_floor"),
        (Status("done", LOOK, VERDICTS["upper_limit"]), "No response of a size that matters: because of upper_limit"),
        (Status("done", LOOK, VERDICTS["sweep_limit"]), "Undecided when the sweeps ran out: evidence 1.2"),
        (Status("done", LOOK, VERDICTS["operator"]), "Undecided, stopped by the operator: evidence 1.2"),
        (Status("done", LOOK, FOUND_AND_STOPPED), "Response present, stopped by the operator: because it was found"),
        (Status("done", None, VERDICTS["operator"]), "Undecided, stopped by the operator: no sweeps yet"),
        (Status("failed", LOOK, VERDICTS["fault"]), "Undecided, stopped by a fault: because of fault"),
    ],
)
def test_the_headline(status: Status, words: str) -> None:
    assert words in status_text.headline(status, 15.0)
    assert words in textview.one_line(status, 15.0)


@pytest.mark.parametrize(
    ("rejected", "words"),
    [
        ({}, "none rejected"),
        ({"edge": 1}, "1 rejected: too soon after a start"),
        ({"peak": 1200}, "1,200 rejected: too large"),
        ({"flat": 3, "not_finite": 2}, "5 rejected (3 without a signal, 2 without numbers)"),
        ({"something new": 1}, "1 rejected: something new"),
    ],
)
def test_why_sweeps_are_left_out(rejected: dict[str, int], words: str) -> None:
    assert status_text.rejected(replace(LOOK, rejected=rejected)) == words
    assert status_text.rejected(None) == "none rejected"


@pytest.mark.parametrize(
    ("value", "limit", "digits", "words"),
    [
        (1.24, 2.0, 1, "1.2"),
        (1.998, 2.0, 1, "1.998"),
        (2.04, 2.0, 1, "2.04"),
        (-0.04, 2.0, 1, "0.0"),
        (2.0, 2.0, 1, "2.0"),
        (15.4, 15.0, 0, "15.4"),
        (31.4, 15.0, 0, "31"),
        (15.0 + 1e-9, 15.0, 0, "15.0000"),
    ],
)
def test_a_figure_never_looks_as_if_it_had_reached_its_limit(value: float, limit: float, digits: int, words: str) -> None:
    assert status_text.apart(value, limit, digits) == words


def test_trouble_in_words() -> None:
    lost, back = Gap(9, "lost", 0.0125, 100), Gap(9, "clock", -0.0125, 0)
    assert status_text.gap(lost, 8000.0).startswith("time stamps jump ahead by 12 ms: 100 samples missing")
    assert status_text.gap(back, 8000.0).startswith("time stamps go back by 12 ms")
    assert "no numbers" in status_text.gap(Gap(9, "not_finite", 0.0, 0), 8000.0)
    mild, serious = RateMismatch(9, 8000.0, 8001.6, 200.0, False), RateMismatch(9, 8000.0, 7984.0, -2000.0, True)
    assert status_text.rate_mismatch(mild) == "the stream states 8000 Hz, but its time stamps say 8001.6 Hz (+200 ppm)"
    assert status_text.rate_mismatch(serious).endswith(
        "7984 Hz (-2000 ppm): times in ms are 0.2 % too short until that is mended"
    )


def test_counting() -> None:
    assert [status_text.count(n, "sweep") for n in (0, 1, 2, 1234)] == ["0 sweeps", "1 sweep", "2 sweeps", "1,234 sweeps"]


def test_bars_and_curves() -> None:
    assert [textview.bar(x).count("█") for x in (-1, 0, 0.5, 1, 7)] == [0, 0, 12, 24, 24]
    assert {len(textview.bar(x)) for x in (-1, 0.3, 1, math.nan, math.inf)} == {24}
    curve = textview.spark(np.array([0.0, 1.0, 0.5]), 3)
    assert (curve[0], curve[1]) == ("▁", "█")
    assert textview.spark(np.linspace(0, 1, 500)) == "".join(sorted(textview.spark(np.linspace(0, 1, 500))))
    for nothing in (np.array([]), np.array([1.0, np.nan]), np.zeros(4)):
        assert textview.spark(nothing) == ""
    assert textview.spark(np.ones(4), 5) == "▁" * 5


class Shown:
    """Stands for a run: over after a few looks at it."""

    def __init__(self, looks: int) -> None:
        self.status = Status("running", LOOK)
        self.verdict: Verdict | None = None
        self.stopped = threading.Event()
        self._left = looks

    def wait(self, timeout_s: float | None = None) -> bool:
        self._left -= 1
        if self._left <= 0:
            self.verdict = VERDICTS["response"]
            self.status = replace(self.status, state="done", verdict=self.verdict)
        return self._left <= 0

    def stop(self) -> None:
        self.stopped.set()


def test_a_pipe_gets_lines(capsys: pytest.CaptureFixture[str]) -> None:
    out = io.StringIO()
    textview.watch(Shown(3), Plan(), "title", out)  # type: ignore[arg-type]
    lines = out.getvalue().splitlines()
    assert lines[0] == "title"
    assert "Undecided" in lines[1]
    assert "Response present" in lines[-1]
    assert "\x1b" not in out.getvalue()


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_terminal_gets_the_panel(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    out = Terminal()
    textview.watch(Shown(3), Plan(), "title", out)  # type: ignore[arg-type]
    assert "quiet enough" in out.getvalue()
    assert "Response present" in out.getvalue()


STOPPED: tuple[StoppedBy, ...] = ("response", "noise_floor", "upper_limit", "sweep_limit", "operator", "fault")


def test_every_way_to_stop_has_its_sentence() -> None:
    said = {stopped_by: status_text.ended(VERDICTS[stopped_by], LOOK, 15.0) for stopped_by in STOPPED}  # type: ignore[arg-type]
    assert len(set(said.values())) == len(STOPPED)
    for verdict in VERDICTS.values():
        if verdict is not None:
            assert status_text.ended(verdict, None, 15.0).startswith(status_text.HEADLINES[verdict.verdict])


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (320.0, 2900.0, "decision expected in 7 to 64 s"),
        (1040.0, 1056.0, "decision expected in about 23 s"),
        (320.0, 5600.0, "decision expected in 7 s to 2.0 min"),
        (math.nan, math.nan, ""),
    ],
)
def test_the_forecast_in_words(low: float, high: float, words: str) -> None:
    look = replace(LOOK, forecast_low_sweeps=low, forecast_high_sweeps=high, forecast_limit=0.05, sweeps_per_s=45.6)
    assert status_text.ahead(look) == words


def test_where_the_sweeps_may_run_out_first_no_decision_is_expected() -> None:
    look = replace(LOOK, forecast_low_sweeps=320.0, forecast_high_sweeps=5600.0, sweeps_per_s=45.6, forecast_limit=0.3)
    assert status_text.ahead(look) == "decision in 7 s or later, the sweeps run out in 2.0 min"
    look = replace(look, forecast_limit=0.7)
    said = status_text.running(look, 15.0)
    assert said.endswith("the sweeps run out first, in 2.0 min: more sweeps or less noise would help, or a higher level")
    waits = replace(look, waits_for_nv=20.0)
    assert status_text.running(waits, 15.0).endswith("the sweeps run out first, in 2.0 min: more sweeps or less noise would help")
    assert status_text.ahead(replace(waits, forecast_limit=0.3)).startswith("quiet enough in 7 s or later, the sweeps run out")
