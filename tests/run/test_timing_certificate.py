"""The timing certificate: what it keeps, what changes of it are found, and for which runs it holds."""

from __future__ import annotations

import datetime
import math
import tomllib
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.core.samples import Layout
from quietfloor.monitor.plan.run_plan import Plan, PlanError, load_plan, make_plan
from quietfloor.monitor.run.run_record import run_record
from quietfloor.monitor.run.timing_certificate import (
    FAULTS,
    NO_CERTIFICATE,
    Certificate,
    CertificateError,
    Measured,
    OutputOf,
    StreamOf,
    Timing,
    advice,
    judge,
    load_certificate,
    problems,
    save_certificate,
    with_delay,
)
from quietfloor.monitor.sources.base import StreamDescription

TODAY = datetime.date(2026, 3, 20)
OUTPUT = ("box", "jack")
STREAM = StreamDescription(
    "Amp", "EEG", "amp-1", "host", "uid", 0.0, 3, 16_000.0, "float32", ("Cz", "Pz", "trig"), ("uV",) * 3
)


def measured(rate_hz: float = 16_000.0, **changes: Any) -> Measured:
    figures: dict[str, Any] = {
        "rate_hz": rate_hz,
        "issued": datetime.date(2026, 3, 1),
        "valid_days": 30,
        "sounds": 500,
        "offset_ms": 3.13,
        "sd_ms": 0.0061,
        "min_ms": 3.11,
        "max_ms": 3.15,
        "drift_ppm": 30.0,
        "drift_se_ppm": 0.1,
        **dict.fromkeys(FAULTS, 0),
        "trigger_edges": "analogue",
        "sound_channel": "Pz",
        "version": "0.1.0",
    }
    return Measured(**figures | changes)


def certificate(*entries: Measured) -> Certificate:
    stream = StreamOf(name="Amp", source_id="amp-1", trigger="trig", edge="auto", kind="auto")
    output = OutputOf(device="box", host_interface="jack", rate_hz=48_000.0)
    return Certificate(output=output, stream=stream, measured=entries or (measured(),))


def plan(path: Path | None, **changes: Any) -> Plan:
    data: dict[str, Any] = {"sound": {"level_db_fs": -40}, "analysis": {}, "timing": {}} | changes
    if path is not None:
        data["timing"] = {"certificate": str(path)}
    return make_plan(data)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    save_certificate(tmp_path / "timing.toml", certificate())
    return tmp_path / "timing.toml"


CARD = {"sound": {"level_db_fs": -40, "device": "sound-card"}}


def on_card(tmp_path: Path, channels: tuple[int, int, int] | None) -> Timing:
    """Judged for outputs 1, 2, 3 of a card, by a certificate of these outputs."""
    kept = certificate()
    path = tmp_path / "card.toml"
    save_certificate(path, kept.model_copy(update={"output": kept.output.model_copy(update={"channels": channels})}))
    return judge(plan(path, **CARD), OUTPUT, STREAM, 2, TODAY)


def test_on_a_card_it_holds_for_its_own_outputs_only(tmp_path: Path) -> None:
    assert on_card(tmp_path, (1, 2, 3)).verified
    moved = on_card(tmp_path, (1, 2, 4))
    assert not moved.verified
    assert "output channels is (1, 2, 3), it was (1, 2, 4)" in str(moved.reason)


def test_an_older_one_keeps_its_id_and_says_that_it_knows_no_outputs(tmp_path: Path) -> None:
    assert certificate().id_of(measured()) == "4a4e302cb891"  # as written before certificates knew the outputs of a card
    older = on_card(tmp_path, None)
    assert not older.verified
    assert "does not say which outputs of the card were measured" in str(older.reason)
    assert "repeat `quietfloor timing`" in str(older.reason)


# -- the file ----------------------------------------------------------------------------------------------------------


def test_a_certificate_survives_writing_and_reading(tmp_path: Path) -> None:
    path = tmp_path / "new" / "timing.toml"
    many = certificate().having(measured(48_000.0, offset_ms=-0.01)).having(measured(4000.0, issued=TODAY))
    save_certificate(path, many)
    assert load_certificate(path) == many
    assert [entry.rate_hz for entry in many.measured] == [4000.0, 16_000.0, 48_000.0]
    assert [file.name for file in path.parent.iterdir()] == ["timing.toml"]
    ids = [entry["id"] for entry in tomllib.loads(path.read_text())["measured"]]
    assert len(set(ids)) == 3
    assert ids == [many.id_of(entry) for entry in many.measured]


def test_a_rate_that_is_checked_again_gets_the_new_figures() -> None:
    again = certificate().having(measured(offset_ms=2.0))
    assert [entry.offset_ms for entry in again.measured] == [2.0]


@pytest.mark.parametrize(
    ("old", "new"),
    [("sd_ms = 0.0061", "sd_ms = 0.006"), ("2026-03-01", "2026-03-02"), ('"box"', '"other"'), ('"amp-1"', '"amp-2"')],
)
def test_what_was_changed_by_hand_is_found(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))
    with pytest.raises(CertificateError, match=r"changed after it was written \(entry for 16000 Hz\): repeat the check"):
        load_certificate(path)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"a = = 3", "is not TOML"),
        (b"\xff\xfe", "is not TOML"),
        (b'title = "a plan"', "is no timing certificate of this version"),
        (b'format = "quietfloor timing certificate 1"', "output is missing"),
    ],
)
def test_a_file_that_is_none(tmp_path: Path, content: bytes, words: str) -> None:
    (tmp_path / "odd.toml").write_bytes(content)
    with pytest.raises(CertificateError, match=words):
        load_certificate(tmp_path / "odd.toml")


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(CertificateError, match=r"cannot be read \(No such file.*quietfloor timing"):
        load_certificate(tmp_path / "none.toml")


def test_an_impossible_figure_is_named(path: Path) -> None:
    path.write_text(path.read_text().replace("sd_ms = 0.0061", "sd_ms = nan"))
    with pytest.raises(CertificateError, match=r"measured\.0\.sd_ms = nan: .*finite"):
        load_certificate(path)


# -- pass or fail ------------------------------------------------------------------------------------------------------


def test_a_check_fails_above_a_tenth_of_a_millisecond_and_for_any_count() -> None:
    none = dict.fromkeys(FAULTS, 0)
    assert problems(0.1, none) == ()
    assert "0.101 ms" in problems(0.101, none)[0]
    assert len(problems(math.nan, none)) == 1
    for name, (one, many) in FAULTS.items():
        assert problems(0.01, none | {name: 1}) == (f"1 {one}",)
        assert problems(0.01, none | {name: 2}) == (f"2 {many}",)


# -- does it hold for a run? -------------------------------------------------------------------------------------------


def test_it_holds_for_the_same_equipment(path: Path) -> None:
    timing = judge(plan(path), OUTPUT, STREAM, 2, TODAY)
    assert timing == Timing(True, 3.13, 0.0061, certificate().id_of(measured()), None)
    assert timing.text == "timing verified, SD 6.1 us"
    record = run_record(plan(path), None, None, stream=STREAM, unit=None, sound=None, calibration=None, timing=timing)
    kept = record["timing"]
    assert (kept["verified"], kept["offset_ms"], kept["sd_ms"], kept["reason"]) == (True, 3.13, 0.0061, None)
    assert Timing.of_record(kept) == timing


def test_without_one_nothing_is_verified() -> None:
    timing = judge(plan(None), OUTPUT, STREAM, 2, TODAY)
    assert timing == Timing()
    assert (timing.verified, timing.text, timing.reason) == (False, "timing not verified", NO_CERTIFICATE)
    assert advice(plan(None), timing) == ""


def changed(**changes: Any) -> StreamDescription:
    return StreamDescription(**{**STREAM.__dict__, **changes})


@pytest.mark.parametrize(
    ("case", "words"),
    [
        ({"output": ("other box", "jack")}, "output device is 'other box', it was 'box'"),
        ({"output": ("box", "alsa")}, "output host_interface is 'alsa', it was 'jack'"),
        ({"sound": {"level_db_fs": -40, "sample_rate_hz": 44_100}}, "output rate_hz is 44100.0, it was 48000.0"),
        ({"stream": changed(name="Amp 2")}, "stream name is 'Amp 2', it was 'Amp'"),
        ({"stream": changed(source_id="amp-2")}, "stream source_id is 'amp-2'"),
        ({"stream": changed(rate_hz=8000.0)}, "the EEG runs at 8000 Hz, the timing was checked at 16000 Hz"),
        ({"trigger": 1}, "stream trigger is 'Pz', it was 'trig'"),
        ({"how": {"edge": "falling"}}, "stream edge is 'falling', it was 'auto'"),
        ({"how": {"kind": "digital"}}, "stream kind is 'digital', it was 'auto'"),
        ({"today": datetime.date(2026, 4, 1)}, "checked on 2026-03-01 and that held until 2026-03-31"),
        ({"today": datetime.date(2026, 2, 28)}, "checked on 2026-03-01"),
        ({"sound": None}, "listens to other equipment"),
    ],
)
def test_it_does_not_hold_for_any_other(path: Path, case: dict[str, Any], words: str) -> None:
    changes = {"sound": case["sound"]} if "sound" in case else {}
    if "how" in case:
        changes["trigger"] = case["how"]
    output = None if changes.get("sound", OUTPUT) is None else case.get("output", OUTPUT)
    asked = plan(path, **changes)
    timing = judge(asked, output, case.get("stream", STREAM), case.get("trigger", 2), case.get("today", TODAY))
    assert not timing.verified
    assert timing.reason is not None
    assert words in timing.reason
    assert timing.reason.startswith("timing.toml: ")
    assert math.isnan(timing.offset_ms)
    assert timing.certificate is None
    assert timing.text == "timing not verified"
    assert words in advice(asked, timing)


def test_the_last_day_still_counts(path: Path) -> None:
    assert judge(plan(path), OUTPUT, STREAM, 2, datetime.date(2026, 3, 31)).verified


def test_a_check_that_failed_verifies_nothing(path: Path) -> None:
    save_certificate(path, certificate(measured(sd_ms=0.2, missing_triggers=3)))
    reason = judge(plan(path), OUTPUT, STREAM, 2, TODAY).reason
    assert reason is not None
    assert "the timing check of 2026-03-01 failed: the sound scatters by 0.200 ms" in reason
    assert "3 triggers are missing" in reason


# -- the delay ---------------------------------------------------------------------------------------------------------


def test_the_delay_is_taken_only_where_the_plan_asks_for_it(path: Path) -> None:
    timing = judge(plan(path), OUTPUT, STREAM, 2, TODAY)
    asked = with_delay(plan(path, analysis={"amplifier_delay_ms": "certificate"}), timing)
    assert asked.analysis.amplifier_delay_ms == 3.13
    given = with_delay(plan(path, analysis={"amplifier_delay_ms": 3.2}), timing)
    assert given.analysis.amplifier_delay_ms == 3.2
    assert advice(asked, timing) == advice(given, timing) == ""
    assert "is 0, but the timing check found 3.130 ms" in advice(plan(path), timing)


def test_a_delay_that_no_certificate_holds_for_is_refused(path: Path) -> None:
    asked = plan(path, analysis={"amplifier_delay_ms": "certificate"})
    with pytest.raises(PlanError, match=r'"certificate": timing\.toml: stream name is .* Repeat `quietfloor timing`'):
        with_delay(asked, judge(asked, OUTPUT, changed(name="Amp 2"), 2, TODAY))
    with pytest.raises(PlanError, match=r"timing\.certificate names no file"):
        plan(None, analysis={"amplifier_delay_ms": "certificate"})
    with pytest.raises(PlanError, match="give the delay in ms here"):
        asked.engine_settings(Layout(16_000.0, ("Cz", "Pz", "trig"), (0,), 2, 1.0))


@pytest.mark.parametrize(("offset_ms", "delay_ms"), [(-0.0004, 0.0), (-0.1, 0.0), (-0.11, None)])
def test_eeg_ahead_of_its_trigger(path: Path, offset_ms: float, delay_ms: float | None) -> None:
    save_certificate(path, certificate(measured(offset_ms=offset_ms)))
    asked = plan(path, analysis={"amplifier_delay_ms": "certificate"})
    timing = judge(asked, OUTPUT, STREAM, 2, TODAY)
    if delay_ms is None:
        with pytest.raises(PlanError, match=r"0\.110 ms ahead of its trigger"):
            with_delay(asked, timing)
    else:
        assert with_delay(asked, timing).analysis.amplifier_delay_ms == delay_ms


def test_a_certificate_is_found_beside_its_plan(path: Path) -> None:
    (path.parent / "plan.toml").write_text('[timing]\ncertificate = "timing.toml"\n')
    assert load_plan(path.parent / "plan.toml").timing.certificate == str(path)
