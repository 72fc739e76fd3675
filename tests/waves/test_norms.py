"""Published values come out as they were published, and a table of the user's own takes their place."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import pytest

from quietfloor.monitor.waves import expected
from quietfloor.monitor.waves.norms import Norms
from quietfloor.monitor.waves.norms_file import NormError, load_norms

SHIPPED = Path(__file__).parents[2] / "monitor" / "waves" / "wave-norms.toml"


@pytest.fixture(scope="module")
def norms() -> Norms:
    return load_norms()


# Elberling, Callo & Don 2010, J Acoust Soc Am 128:215 (secondary: a public data file): N = 20 adults, mean and SD in ms, nV.
CLICK = [(20.0, 7.60, 0.79, 256.0), (40.0, 6.59, 0.74, 368.0), (60.0, 5.88, 0.25, 407.0)]
CHIRPS = {
    1.86: [(20, 7.23, 0.36, 311), (40, 6.15, 0.29, 560), (60, 4.97, 0.28, 624)],
    2.56: [(20, 7.12, 0.32, 339), (40, 5.96, 0.23, 613), (60, 4.57, 0.35, 654)],
    3.32: [(20, 6.97, 0.34, 349), (40, 5.76, 0.27, 645), (60, 4.12, 0.51, 596)],
    4.14: [(20, 6.86, 0.36, 382), (40, 5.48, 0.34, 631), (60, 3.50, 0.51, 516)],
    5.04: [(20, 6.66, 0.36, 391), (40, 4.98, 0.59, 581), (60, 2.87, 0.38, 389)],
}


@pytest.mark.parametrize(("level", "mean", "sd", "nv"), CLICK)
def test_click_of_adults(norms: Norms, level: float, mean: float, sd: float, nv: float) -> None:
    found = norms.latency("V", "click", level, "adult")
    assert found is not None
    assert (found.mean, found.sd, found.n, found.status) == (mean, sd, 20, "secondary")
    assert (found.low, found.high) == pytest.approx((mean - 2 * sd, mean + 2 * sd))
    assert "128:215" in found.origin
    size = norms.amplitude("click", level, "adult")
    assert size is not None
    assert size.mean == nv


@pytest.mark.parametrize("span", CHIRPS)
def test_chirps_of_adults(norms: Norms, span: float) -> None:
    for level, mean, sd, nv in CHIRPS[span]:
        found, size = norms.latency("V", "chirp", level, None, span_ms=span), norms.amplitude("chirp", level, None, span_ms=span)
        assert found is not None
        assert size is not None
        assert (found.mean, found.sd, size.mean) == (mean, sd, nv)


# Neely et al. 1988 eq. 1 (secondary: published code), 5 + 12.9 * 5^(-L / 100) * (f / kHz)^-0.413, at 40, 60, 80, 100 dB SPL.
@pytest.mark.parametrize(
    ("hz", "ms"),
    [(500, (14.02, 11.54, 9.74, 8.44)), (1000, (11.78, 9.91, 8.56, 7.58)), (2000, (10.09, 8.69, 7.67, 6.94)),
     (4000, (8.82, 7.77, 7.01, 6.46))],
)  # fmt: skip
def test_tone_bursts(norms: Norms, hz: float, ms: tuple[float, ...]) -> None:
    burst = norms.bursts["adult"]
    assert [burst.ms(level, hz) for level in (40, 60, 80, 100)] == pytest.approx(ms, abs=0.006)
    assert burst.ms(120, hz) == burst.ms(100, hz)  # beyond the data: held
    found = norms.latency("V", "tone-burst", 60 - burst.db_spl_at_0_nhl, "adult", frequency_hz=hz)
    assert found is not None
    assert found.mean == pytest.approx(ms[1], abs=0.006)
    assert math.isnan(found.low)  # no spread is published
    assert norms.latency("V", "tone-burst", 40, "adult", frequency_hz=12_000) is None


# 47 term newborns, 80 dB HL, 10/s: Arq Neuropsiquiatr 2003 (verified: abstract).
@pytest.mark.parametrize(("wave", "mean", "sd"), [("I", 1.79, 0.20), ("III", 4.54, 0.31), ("V", 6.75, 0.38)])
def test_newborn_latencies(norms: Norms, wave: str, mean: float, sd: float) -> None:
    found = norms.latency(wave, "click", 80, "infant")
    assert found is not None
    assert (found.mean, found.sd, found.n, found.status) == (mean, sd, 47, "verified")
    assert norms.latency(wave, "click", 84, "infant") == found
    assert norms.latency(wave, "click", 70, "infant") is None


@pytest.mark.parametrize(("pair", "mean", "sd"), [("I-III", 2.75, 0.36), ("III-V", 2.22, 0.22), ("I-V", 4.97, 0.43)])
def test_newborn_intervals(norms: Norms, pair: str, mean: float, sd: float) -> None:
    found = norms.interval(*pair.split("-"), "infant")
    assert found is not None
    assert (found.mean, found.sd, found.status) == (mean, sd, "verified")


def test_means_of_studies_are_no_range_of_persons(norms: Norms) -> None:
    """Adults at 80 dB nHL: I 1.5-1.7, III 3.6-3.9, V 5.5-5.8 ms (from memory)."""
    for wave, low, high in (("I", 1.5, 1.7), ("III", 3.6, 3.9), ("V", 5.5, 5.8)):
        found = norms.latency(wave, "click", 80, "adult")
        assert found is not None
        assert (found.low, found.high, found.of_means, found.status) == (low, high, True, "from memory")
        assert "range of means" in found.origin
        assert math.isnan(found.sd)


def test_straight_lines_inside_a_study_and_nothing_outside(norms: Norms) -> None:
    between = norms.latency("V", "click", 50, "adult")
    assert between is not None
    assert (between.mean, between.sd) == pytest.approx(((6.59 + 5.88) / 2, (0.74 + 0.25) / 2))
    assert norms.latency("V", "click", 70, "adult") is None
    assert norms.latency("V", "click", 10, "adult") is None
    for question in ((None, 40.0), ("click", None), ("octave-chirp", 40.0), ("custom", 40.0)):
        assert norms.latency("V", *question, "adult") is None
    fixed = norms.latency("V", "chirp", 40, "adult", span_ms=3.143)
    assert fixed is not None
    assert fixed.mean == pytest.approx(5.96 + (5.76 - 5.96) * (3.143 - 2.56) / (3.32 - 2.56))
    assert norms.latency("V", "chirp", 40, "adult", span_ms=1.0) is None
    assert norms.latency("V", "chirp", 40, "adult") is None


def test_the_code_that_decides_and_the_table_say_the_same(norms: Norms) -> None:
    """Brackets of the evidence are code, so that no table of a user's can change a decision: they must not drift apart."""
    for level, mean, sd in expected.CLICK_ADULT:
        found = norms.latency("V", "click", level, "adult")
        assert found is not None
        assert (found.mean, found.sd) == (mean, sd)
    for span, *latencies in expected.CHIRP_ADULT:
        for level, latency in zip((20, 40, 60), latencies, strict=True):
            found = norms.latency("V", "chirp", level, "adult", span_ms=span)
            assert found is not None
            assert found.mean == latency
    for hz in (250, 500, 1000, 2000, 4000, 8000):
        for level in (0, 20, 45, 70, 90):
            found = norms.latency("V", "tone-burst", level, "adult", frequency_hz=hz)
            assert found is not None
            assert found.mean == pytest.approx(expected.burst_wave_v_ms(level, hz, "adult"))


def test_every_entry_has_its_source_and_status() -> None:
    tables = tomllib.loads(SHIPPED.read_text(encoding="utf-8"))
    entries = [entry for table in tables.values() for entry in table]
    assert len(entries) > 20
    assert all(len(entry["source"]) > 10 for entry in entries)
    assert {entry["status"] for entry in entries} == {"verified", "secondary", "from memory"}


OWN = """
[[latency]]
wave = "V"
stimulus = "click"
age_group = "adult"
rows = [[30, 7.0, 0.2], [70, 5.7, 0.2]]
source = "our own 40 ears"
status = "verified"
n = 40

[[interval]]
from = "I"
to = "V"
age_group = "adult"
mean_ms = 4.1
sd_ms = 0.1
source = "our own 40 ears"
status = "verified"
"""


def test_own_entries_replace_those_of_the_same_key(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text(OWN)
    norms = load_norms(own)
    found, interval = norms.latency("V", "click", 50, "adult"), norms.interval("I", "V", None)
    assert found is not None
    assert interval is not None
    assert (found.mean, found.source, interval.mean) == (pytest.approx(6.35), "our own 40 ears", 4.1)
    assert norms.latency("V", "click", 25, "adult") is None
    means = norms.latency("V", "click", 80, "adult")
    assert means is not None
    assert means.of_means  # another kind of entry, kept
    assert norms.latency("V", "click", 80, "infant") == load_norms().latency("V", "click", 80, "infant")


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("", "allowed are the tables"),
        ("[[latencies]]\nwave = 'V'", "allowed are the tables"),
        (OWN.replace("verified", "sure"), "status = 'sure'"),
        (OWN.replace("our own 40 ears", " "), "source"),
        (OWN.replace("n = 40", "n = 0"), "n = 0"),
        (OWN.replace("n = 40", "ears = 40"), "unknown ears"),
        (OWN.replace("[70, 5.7, 0.2]", "[70, 5.7]"), "dB nHL"),
        (OWN.replace("[70, 5.7, 0.2]", "[70, 57.0, 0.2]"), "outside 0 to 30"),
        (OWN.replace("[70,", "[30,"), "each once"),
        (OWN.replace('"click"', '"chirp"'), "span_ms"),
        (OWN.replace("mean_ms = 4.1", ""), "mean_ms"),
        ("[[latency]\n", "own.toml"),
    ],
)
def test_a_table_that_is_wrong_is_named(tmp_path: Path, text: str, what: str) -> None:
    own = tmp_path / "own.toml"
    own.write_text(text)
    with pytest.raises(NormError, match=what):
        load_norms(own)
