"""The check of a stream: what is wrong with it is found, with the right number, whatever the chunks; and nothing else is."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.events import LookDone
from quietfloor.monitor.core.samples import Chunk
from quietfloor.monitor.plan.run_plan import Plan
from quietfloor.monitor.readiness.findings import Finding, ready
from quietfloor.monitor.readiness.model import Readiness
from quietfloor.monitor.sources.base import SourceError
from quietfloor.monitor.sources.channels import Channels
from tests.readiness.streams import RATE, described, findings, listened, made, plan_of, tone
from tests.synthetic import layout, play

EARPHONE = Path(__file__).resolve().parents[2] / "bench" / "virtual-earphone.toml"


def test_a_good_stream_has_nothing_to_look_at() -> None:
    seen = listened(made(noise_uv=1.0))
    found = findings(seen)
    assert {key: finding.said for key, finding in found.items() if finding.severity != "ok"} == {}
    assert ready(seen.groups())
    assert {about for about, _ in found} == {
        "rate", "bandwidth", "unit", "samples", "floor", "signal", "noise", "mains", "drift", "trigger", "trigger_rate",
        "doubled",
    }  # fmt: skip


@pytest.mark.parametrize("rate_hz", [4000.0, 8000.0, 16000.0, 30000.0])
@pytest.mark.parametrize(("mains_hz", "true_hz"), [(50.0, 50.0), (50.0, 49.87), (60.0, 60.04)])
def test_mains_is_found_with_its_amplitude_and_harmonics(rate_hz: float, mains_hz: float, true_hz: float) -> None:
    hum = made(channels=2, rate_hz=rate_hz, noise_uv=3.0)
    for order, uv in ((1, 14.0), (3, 5.6), (5, 2.8), (15, 2.0)):
        hum.samples[0] += tone(hum, order * true_hz, uv, phase=order)
    found = findings(listened(hum))
    parts = dict(found["mains", "E1"].parts)
    assert [round(float(name.split()[0]) / mains_hz) for name in parts] == [1, 3, 5, 15]
    assert list(parts.values()) == pytest.approx([14.0, 5.6, 2.8, 2.0], rel=0.1)
    assert float(next(iter(parts)).split()[0]) == pytest.approx(true_hz, abs=0.1)
    assert found["mains", "E1"].severity == "look"
    assert f"{mains_hz:g} Hz 1" in found["mains", "E1"].said
    assert "check ground and reference, move cables away from the mains" in found["mains", "E1"].remedy
    assert found["mains", "E2"].severity == "ok"
    assert found["mains", "E2"].parts == ()


def test_hum_that_is_large_points_to_a_loose_contact() -> None:
    hum = made()
    hum.samples[0] += tone(hum, 50.0, 300.0)
    finding = findings(listened(hum))["mains", "E1"]
    assert finding.value == pytest.approx(300.0, rel=0.05)
    assert "a contact is probably loose" in finding.remedy


def test_little_hum_is_told_but_needs_nothing() -> None:
    hum = made()
    hum.samples[0] += tone(hum, 50.0, 3.0)
    finding = findings(listened(hum))["mains", "E1"]
    assert (finding.severity, finding.remedy) == ("ok", "")
    assert finding.value == pytest.approx(3.0, rel=0.1)


def test_hum_inside_the_band_is_told_apart() -> None:
    hum = made(noise_uv=2.0)
    hum.samples[0] += tone(hum, 150.0, 4.5)
    finding = findings(listened(hum))["mains", "E1"]
    assert (finding.severity, finding.value < finding.limit) == ("look", True)
    told = re.search(r"; ([\d.]+) uV RMS of it in the band, where the noise is ([\d.]+)", finding.said)
    assert told is not None
    assert float(told[1]) == pytest.approx(4.5 / math.sqrt(2), rel=0.1)
    assert float(told[2]) == pytest.approx(math.hypot(2.0, 4.5 / math.sqrt(2)), rel=0.3)  # a median, of something not Gaussian


def test_a_rhythm_of_the_brain_is_neither_hum_nor_a_test_tone() -> None:
    """Alpha and beta rhythms are broad: the same power as a clear tone, spread over some Hz."""
    rhythm = made()
    rng = np.random.default_rng(3)
    t = np.arange(rhythm.samples.shape[1]) / RATE
    for hz in np.arange(25.0, 37.0, 0.23):
        rhythm.samples[0] += 1.5 * rng.standard_normal() * np.sin(2 * np.pi * hz * t + 6.3 * rng.random())
    found = findings(listened(rhythm))
    assert ("test_tone", "E1") not in found
    assert found["mains", "E1"].severity == "ok"


@pytest.mark.parametrize("uv", [1.5, 20.0])
def test_a_test_tone_that_was_left_on_is_found(uv: float) -> None:
    left = made(channels=2)
    left.samples[1] += tone(left, 31.25, uv)
    found = findings(listened(left))
    assert ("test_tone", "E1") not in found
    assert found["test_tone", "E2"].severity == "look"
    assert found["test_tone", "E2"].value == pytest.approx(uv, rel=0.1)
    assert "switch the impedance test of the amplifier off" in found["test_tone", "E2"].remedy


@pytest.mark.parametrize("rms_uv", [0.5, 2.0, 10.0])
def test_noise_and_what_will_be_left_of_it(rms_uv: float) -> None:
    found = findings(listened(made(noise_uv=rms_uv), plan_of(decision={"max_sweeps": 4000, "floor_nv": 20})))
    assert found["noise", "E1"].value == pytest.approx(rms_uv, rel=0.06)
    floor = found["floor", ""]
    assert floor.value == pytest.approx(1e3 * rms_uv / math.sqrt(4000), rel=0.06)
    assert dict(floor.parts)["sweeps_needed"] == pytest.approx((1e3 * rms_uv / 20) ** 2, rel=0.13)
    assert floor.severity == ("ok" if rms_uv < 1.2 else "look")
    assert ("not reached" in floor.said) == (rms_uv > 1.2)


def test_a_search_is_not_held_to_a_floor_that_it_does_not_have() -> None:
    """Its sweeps are shared among levels; the noise itself is known all the same."""
    sound = {"level_db_nhl": 20, "calibration": str(EARPHONE)}
    plan = plan_of(sound=sound, search={"condition": [{"ear": "left", "levels_db_nhl": [10, 30]}]})
    found = findings(listened(made(noise_uv=10.0), plan))
    assert found["floor", ""].severity == "ok"
    assert "max_sweeps" not in found["floor", ""].remedy
    assert dict(found["floor", ""].parts)["noise_uv"] == found["noise", "E1"].value


def test_what_is_expected_to_be_left_is_what_the_engine_finds() -> None:
    """The same stream through the engine of a run: its residual noise against the one foretold for as many sweeps."""
    run = made(seconds=9.0, noise_uv=2.0)
    engine = Engine(Plan().engine_settings(layout(run)))
    look = [event for event in play(engine, run) if isinstance(event, LookDone)][-1]
    foretold_nv = 1e3 * findings(listened(run))["noise", "E1"].value / math.sqrt(look.sweeps_accepted)
    assert look.residual_noise_nv == pytest.approx(foretold_nv, rel=0.1)


def test_hum_is_the_first_thing_to_remove_where_it_is_most_of_the_noise() -> None:
    hum = made(noise_uv=1.0)
    hum.samples[0] += tone(hum, 150.0, 5.0)
    assert findings(listened(hum))["floor", ""].remedy.startswith("remove the hum first")


def stuck(at: float, seconds: float = 6.0) -> Readiness:
    still = made(channels=2, seconds=seconds)
    still.samples[1] = at
    turned = replace(still, samples=still.samples[[1, 0, 2]])  # the dead one decides
    return listened(turned)


@pytest.mark.parametrize(
    ("at", "said"),
    [(0.0, "all zero"), (187_500.0, "at the amplifier's limit: 187.5 mV"), (-4e5, "-400 mV"), (350.0, "flat at 350 uV")],
)
def test_an_input_that_does_not_move(at: float, said: str) -> None:
    seen = stuck(at)
    found = findings(seen)
    assert found["signal", "E1"].severity == "stop"
    assert said in found["signal", "E1"].said
    assert found["signal", "E1"].remedy
    assert {about for about, subject in found if subject == "E1"} == {"signal"}, "nothing is measured where nothing moves"
    assert found["signal", "E2"].severity == "ok"
    assert not ready(seen.groups())


def test_a_dead_input_that_only_goes_along_does_not_stop_the_run() -> None:
    still = made(channels=2)
    still.samples[1] = 0.0
    seen = listened(still)
    assert findings(seen)["signal", "E2"].severity == "look"
    assert ready(seen.groups())


def test_the_rail_of_the_plan_is_the_limit() -> None:
    clipped = made(noise_uv=1.0)
    clipped.samples[0, 20_000:22_000] = 5000.0
    plan = plan_of(analysis={"rail_uv": 4800.0})
    finding = findings(listened(clipped, plan))["signal", "E1"]
    assert finding.severity == "look"
    assert finding.value == pytest.approx(100 * 0.25 / 4, abs=2.0)  # of the last 4 s
    clipped.samples[0] = 4990.0
    assert "at the amplifier's limit: 5 mV" in findings(listened(clipped, plan))["signal", "E1"].said


def test_hum_that_runs_into_the_rails() -> None:
    """Clipped at both ends most of the time: the input moves, but no sweep can be used."""
    hum = made()
    hum.samples[0] = np.clip(hum.samples[0] - 1000.0 + tone(hum, 50.0, 2000.0), -900.0, 900.0)
    found = findings(listened(hum))
    assert found["signal", "E1"].severity == "stop"
    assert "100 % of the time" in found["signal", "E1"].said
    assert found["mains", "E1"].severity == "look"


def test_drift_and_offset() -> None:
    moving = made()
    moving.samples[0] += 400.0 * np.arange(moving.samples.shape[1]) / RATE + 150_000.0
    finding = findings(listened(moving))["drift", "E1"]
    assert finding.severity == "look"
    assert finding.value == pytest.approx(400.0, rel=0.05)
    assert dict(finding.parts)["offset"] == pytest.approx(152_600.0, rel=0.01)
    assert "settle" in finding.remedy
    assert "offset" in finding.remedy


def test_samples_that_are_repeated() -> None:
    slow = made(seconds=6.0)
    slow.samples[0] = np.repeat(slow.samples[0, ::4], 4)[: slow.samples.shape[1]]
    finding = findings(listened(slow))["resolution", "E1"]
    assert finding.severity == "look"
    assert finding.value == pytest.approx(75.0, abs=1.0)


def test_a_low_pass_before_us_is_found() -> None:
    from scipy.signal import butter, sosfilt

    dull = made()
    dull.samples[0] = sosfilt(butter(4, 500, fs=RATE, output="sos"), dull.samples[0])
    finding = findings(listened(dull))["bandwidth", ""]
    assert finding.severity == "look"
    assert finding.value > 10.0
    assert "switch the amplifier's low-pass filter off" in finding.remedy


def test_a_slow_stream_and_a_band_that_does_not_fit() -> None:
    fast = made()
    slow = replace(fast, rate_hz=2000.0, samples=fast.samples[:, ::4], stamps_s=fast.stamps_s[::4])
    found = findings(listened(slow))
    assert found["rate", ""].severity == "stop"
    assert "too slow" in found["rate", ""].remedy
    assert found["bandwidth", ""].severity == "stop"
    assert "above 900 Hz" in found["bandwidth", ""].said
    assert findings(listened(made(rate_hz=4000.0)))["bandwidth", ""].severity == "look"


def test_an_irregular_stream_is_refused() -> None:
    none = made(seconds=2.0)
    with pytest.raises(SourceError, match="sampling rate"):
        Readiness(replace(described(none), rate_hz=0.0), Channels((0,), 1), Plan())


@pytest.mark.parametrize(("ppm", "severity"), [(0.0, "ok"), (30.0, "ok"), (300.0, "look"), (-3000.0, "stop")])
def test_the_rate_is_measured(ppm: float, severity: str) -> None:
    off = made()
    off.stamps_s[:] = 100.0 + (off.stamps_s - 100.0) / (1 + 1e-6 * ppm)
    finding = findings(listened(off))["rate", ""]
    assert finding.severity == severity
    assert dict(finding.parts)["ppm"] == pytest.approx(ppm, abs=1.0)
    assert f"({ppm:+.0f} ± 1 ppm)" in finding.said


def test_a_rate_that_scatters_is_told_with_its_error() -> None:
    """Stamps that scatter by 5 ms: what the line says is within its own errors."""
    rough = made(seconds=8.0)
    rough.stamps_s += np.random.default_rng(2).normal(0, 5e-3, len(rough.stamps_s))
    finding = findings(listened(rough))["rate", ""]
    parts = dict(finding.parts)
    assert abs(parts["ppm"]) < 4 * parts["ppm_error"]
    assert 50 < parts["ppm_error"] < 1000


def test_lost_samples_are_counted_and_the_rest_goes_on() -> None:
    whole = made(seconds=9.0)
    keep = np.r_[0:24_000, 24_400 : whole.samples.shape[1]]
    torn = replace(whole, samples=whole.samples[:, keep], stamps_s=whole.stamps_s[keep])
    found = findings(listened(torn))
    assert found["samples", ""].severity == "look"
    assert found["samples", ""].value == pytest.approx(400, abs=1)
    assert found["noise", "E1"].value == pytest.approx(2.0, rel=0.1)
    assert found["rate", ""].severity == "ok"


def test_what_is_no_number_is_told() -> None:
    holes = made(channels=2)
    holes.samples[1] = np.nan
    seen = listened(holes)
    found = findings(seen)
    assert found["signal", "E2"].severity == "stop", "the engine can use no sweep then"
    assert "leave the channel out" in found["signal", "E2"].remedy
    assert not ready(seen.groups())
    some = made()
    some.samples[0, 1000:1400] = np.nan
    found = findings(listened(some))
    assert found["samples", ""].severity == "look"
    assert found["signal", "E1"].severity == "ok"


@pytest.mark.parametrize(
    ("unit", "factor", "said"), [("volts", 1.0, "as microvolts it would be plausible"), ("uV", 1e-6, "volts")]
)
def test_a_wrong_unit_stops(unit: str, factor: float, said: str) -> None:
    wrong = made()
    wrong.samples[:-1] *= factor
    seen = listened(wrong, unit=unit)
    finding = findings(seen)["unit", ""]
    assert finding.severity == "stop"
    assert said in finding.said + finding.remedy
    assert not ready(seen.groups())
    assert findings(seen)["noise", "E1"].severity == "wait"


def test_a_unit_that_nobody_stated_is_assumed_and_told() -> None:
    silent = made()
    found = findings(listened(silent, unit=""))
    assert found["unit", ""].severity == "look"
    assert "assumed microvolts" in found["unit", ""].said
    given = findings(listened(silent, plan_of(stream={"unit": "uV"}), unit="counts"))
    assert (given["unit", ""].severity, "given" in given["unit", ""].said) == ("ok", True)


def test_chunks_change_nothing() -> None:
    hum = made(channels=2, seconds=5.0)
    hum.samples[0] += tone(hum, 50.0, 9.0)
    total = hum.samples.shape[1]
    rng = np.random.default_rng(1)
    whole = listened(hum, sizes=[total])
    assert listened(hum, sizes=[1] * 2000 + [777] * 9).groups() == whole.groups()
    assert listened(hum, sizes=rng.integers(1, 900, 400).tolist()).groups() == whole.groups()


def test_nothing_is_claimed_before_it_is_known() -> None:
    good = made()
    seen = Readiness(described(good), Channels((0,), 1), Plan())
    assert not ready(seen.groups())
    assert {finding.severity for finding in findings(seen).values()} == {"wait"}
    seen.feed(Chunk(good.samples[:, :3000], good.stamps_s[:3000]))
    for finding in findings(seen).values():
        assert "nan" not in finding.said + finding.remedy
        assert finding.severity != "stop", finding
    with pytest.raises(ValueError, match="3 channels; this stream has 2"):
        seen.feed(Chunk(np.zeros((3, 5)), np.zeros(5)))


def test_memory_is_that_of_a_few_seconds() -> None:
    good = made(seconds=4.0)
    seen = Readiness(described(good), Channels((0,), 1), Plan())
    sizes = []
    for turn in range(12):
        seen.feed(Chunk(good.samples, good.stamps_s + turn * len(good.stamps_s) / RATE))
        sizes.append(sum(held.samples.nbytes for held in seen._held) + sum(line.nbytes for line in seen._seen.line))
    assert max(sizes[4:]) <= 4.1 * RATE * 8 + 2 * 400 * 8
    assert seen._noise._data.nbytes < 1e6
    assert seen._lines._data.nbytes < 1e6


def test_every_finding_can_be_read_and_kept() -> None:
    hum = made()
    hum.samples[0] += tone(hum, 50.0, 20.0)
    for finding in findings(listened(hum)).values():
        assert isinstance(finding, Finding)
        assert finding.title
        assert finding.meaning.endswith(".")
        record = finding.record()
        assert record["severity"] in ("ok", "look")
        if finding.severity == "look":
            assert record["remedy"]
            assert record["basis"], "what a limit rests on"
