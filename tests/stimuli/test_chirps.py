"""Chirps against the published delays, spans and widths; flatness and delay read off the samples by a Fourier transform."""

import numpy as np
import pytest

from quietfloor.stimuli.chirps import (
    BAND_HZ,
    BEST_MS,
    FAMILY_MS,
    FIXED_D,
    FIXED_K,
    DelayModel,
    chirp,
    octave_chirp,
    octave_share,
    span_for_level,
)
from quietfloor.stimuli.tones import tone_burst

N = 1 << 17
MODELS = {"fixed": DelayModel(), **{str(span): DelayModel.of_span(span) for span in FAMILY_MS}}
OCTAVES = (500.0, 1000.0, 2000.0, 4000.0)


def transform(wave):
    """Frequencies in Hz, level in dB, and group delay in s after time zero."""
    frequency_hz = np.fft.rfftfreq(N, 1 / wave.rate_hz)
    values = np.fft.rfft(wave.samples, N)
    delay_s = -np.gradient(np.unwrap(np.angle(values)), 2 * np.pi * frequency_hz[1]) - wave.time_zero_s
    return frequency_hz, 20 * np.log10(np.abs(values) + 1e-12), delay_s


# tau = k f^-d with k = 0.0920, d = 0.4356 (Elberling et al. 2007, Elberling & Don 2008, constants from memory), worked out.
@pytest.mark.parametrize(
    ("frequency_hz", "ms"),
    [(350, 7.171), (500, 6.139), (1000, 4.539), (2000, 3.356), (4000, 2.482), (5700, 2.127), (8000, 1.835), (10000, 1.665)],
)
def test_delay_along_the_cochlea(frequency_hz, ms):
    assert 1e3 * DelayModel().delay_s(frequency_hz) == pytest.approx(ms, abs=6e-4)


def test_span_of_the_fixed_chirp():
    """710 to 5700 Hz: 3.143 ms, worked out; single ears lie between 2.0 and 5.0 ms (Elberling & Don 2008, abstract, verified)."""
    assert (FIXED_K, FIXED_D) == (0.0920, 0.4356)
    assert 1e3 * DelayModel().span_s == pytest.approx(3.143, abs=5e-4)
    assert 1e3 * DelayModel().between_s(350, 11300) == pytest.approx(5.593, abs=1.5e-3)


def test_the_published_family_by_span():
    """1.86, 2.56, 3.32, 4.14, 5.04 ms (Elberling, Callo & Don 2010, secondary), reached by scaling k."""
    assert FAMILY_MS == (1.86, 2.56, 3.32, 4.14, 5.04)
    for span in FAMILY_MS:
        model = DelayModel.of_span(span)
        assert 1e3 * (model.k * 710**-0.4356 - model.k * 5700**-0.4356) == pytest.approx(span)
        assert model.d == FIXED_D


@pytest.mark.parametrize(
    ("level", "span"), [(20, 5.04), (40, 3.32), (60, 2.56), (-10, 5.04), (95, 2.56), (29, 5.04), (31, 3.32), (50, 2.56)]
)
def test_the_span_follows_the_level(level, span):
    """Chirp 5 at 20, 3 at 40, 2 at 60 dB nHL gave the largest wave V (same study); else the nearest, of two the louder."""
    assert span_for_level(level) == span
    assert dict(BEST_MS) == {20: 5.04, 40: 3.32, 60: 2.56}


@pytest.mark.parametrize("rate_hz", [32_000.0, 44_100.0, 48_000.0, 96_000.0, 192_000.0])
@pytest.mark.parametrize("model", MODELS.values(), ids=MODELS)
def test_the_band_is_flat_within_1_db(model, rate_hz):
    """350 to 11300 Hz, five octaves (Elberling & Don 2008, 2010, from memory)."""
    frequency_hz, level_db, _ = transform(chirp(rate_hz, model))
    inside = level_db[(frequency_hz >= BAND_HZ[0]) & (frequency_hz <= BAND_HZ[1])]
    assert np.ptp(inside) / 2 < 0.55  # 0.49 at most
    middle = np.median(inside)
    assert level_db[frequency_hz <= 175].max() < middle - 12
    assert level_db[frequency_hz >= 15_000].max() < middle - 20


@pytest.mark.parametrize("model", MODELS.values(), ids=MODELS)
def test_every_frequency_leaves_as_much_earlier_as_it_arrives_later(model):
    """Group delay of the samples against tau(10 kHz) - tau(f)."""
    frequency_hz, _, delay_s = transform(chirp(48_000.0, model))
    for low, high, within_s in ((600, 1000, 0.2e-3), (1000, 2000, 0.1e-3), (2000, 10_000, 0.02e-3)):
        inside = (frequency_hz >= low) & (frequency_hz <= high)
        wanted = model.delay_s(10_000.0) - model.delay_s(frequency_hz[inside])
        assert np.sqrt(np.mean((delay_s[inside] - wanted) ** 2)) < within_s


@pytest.mark.parametrize("rate_hz", [44_100.0, 48_000.0, 192_000.0])
def test_time_zero_is_when_10_khz_leaves_just_before_the_end(rate_hz):
    wave = chirp(rate_hz)
    assert wave.time_zero_s == pytest.approx(DelayModel().between_s(350, 10_000) + 2.5e-3, abs=1 / rate_hz)
    assert 0.4e-3 < wave.duration_s - wave.time_zero_s < 0.52e-3
    frequency_hz, _, delay_s = transform(wave)
    assert delay_s[frequency_hz.searchsorted(10_000)] == pytest.approx(0.0, abs=20e-6)


def test_the_same_curve_at_any_rate():
    """Read 4 times as densely, every fourth sample is the sample at the lower rate: same phase, same scale."""
    low, high = chirp(48_000.0), chirp(192_000.0)
    offset = round((high.time_zero_s - low.time_zero_s) * 192_000)
    picked = high.samples[offset % 4 :: 4] if offset >= 0 else high.samples[-offset::4]
    n = min(picked.size, low.samples.size) - 2
    shift = 0 if offset >= 0 and offset // 4 == 0 else offset // 4
    np.testing.assert_allclose(picked[shift : shift + n], low.samples[:n], atol=0.02)


# Octave edges fc / sqrt 2 to fc sqrt 2: 1.860, 1.376, 1.017, 0.752 ms about 0.5, 1, 2, 4 kHz, worked out.
@pytest.mark.parametrize(("centre_hz", "ms"), [(500, 1.860), (1000, 1.376), (2000, 1.017), (4000, 0.752)])
def test_octave_chirp_sweep_times(centre_hz, ms):
    model = DelayModel()
    assert 1e3 * model.between_s(centre_hz / 2**0.5, centre_hz * 2**0.5) == pytest.approx(ms, abs=1e-3)
    # Between half the distance of the edges, where the share of the octave is still whole, the samples themselves sweep so.
    frequency_hz, _, delay_s = transform(octave_chirp(48_000.0, centre_hz))
    low, high = centre_hz * 2**-0.25, centre_hz * 2**0.25
    measured = delay_s[frequency_hz.searchsorted(high)] - delay_s[frequency_hz.searchsorted(low)]
    assert measured == pytest.approx(model.between_s(low, high), rel=0.35)


@pytest.mark.parametrize("centre_hz", [250.0, *OCTAVES, 8000.0])
def test_octave_chirps(centre_hz):
    wave = octave_chirp(48_000.0, centre_hz)
    frequency_hz, level_db, delay_s = transform(wave)
    top = np.median(level_db[np.abs(np.log2(np.maximum(frequency_hz, 1) / centre_hz)) < 0.15])

    def at(octaves):
        return level_db[frequency_hz.searchsorted(centre_hz * 2**octaves)] - top

    assert np.ptp([at(x) for x in np.linspace(-0.2, 0.2, 41)]) / 2 < 1.0  # flat within 1 dB where its share is whole
    assert at(-0.5) == pytest.approx(-6.0, abs=1.3)
    assert at(0.5) == pytest.approx(-6.0, abs=1.3)
    assert max(at(-1.0), at(1.0)) < -20
    assert delay_s[frequency_hz.searchsorted(centre_hz)] == pytest.approx(0.0, abs=0.15 / centre_hz)  # the centre leaves at zero
    assert wave.frequency_hz == centre_hz
    assert 0 < wave.time_zero_s < wave.duration_s


@pytest.mark.parametrize("centre_hz", [500.0, 1000.0, 2000.0])
def test_octave_chirps_are_published_times_wider_than_bursts(centre_hz):
    """-20 dB width 1.8 to 1.9 times a 2-1-2 burst's at 500, 1000, 2000 Hz (abstract of 10.1044/2025_aja-25-00145, verified)."""

    def width_hz(wave):
        frequency_hz, level_db, _ = transform(wave)
        inside = level_db > level_db.max() - 20
        top = level_db.argmax()
        low = top - inside[:top][::-1].argmin()
        high = top + inside[top:].argmin()
        return frequency_hz[high] - frequency_hz[low]

    assert 1.78 <= width_hz(octave_chirp(48_000.0, centre_hz)) / width_hz(tone_burst(48_000.0, centre_hz)) <= 1.92


def test_the_octaves_are_the_broadband_chirp_decomposed():
    """Shares of neighbours add up to one; and octave chirps, each laid at its moment, give the broadband spectrum back."""
    octaves = np.linspace(0.0, 1.0, 101)
    np.testing.assert_allclose(octave_share(octaves) + octave_share(octaves - 1.0), 1.0, atol=1e-12)
    rate_hz, model = 48_000.0, DelayModel()
    frequency_hz = np.fft.rfftfreq(N, 1 / rate_hz)
    whole = np.zeros(frequency_hz.size, dtype=complex)
    for centre_hz in (500.0, 1000.0, 2000.0, 4000.0, 8000.0):
        wave = octave_chirp(rate_hz, centre_hz)
        values = np.fft.rfft(wave.samples, N) * np.exp(2j * np.pi * frequency_hz * wave.time_zero_s)
        at = frequency_hz.searchsorted(centre_hz)
        values /= np.abs(values[at])  # each was scaled to its own peak
        lag_s = model.delay_s(10_000.0) - model.delay_s(centre_hz)
        whole += values * np.exp(-2j * np.pi * frequency_hz * lag_s)
    inside = (frequency_hz >= 600) & (frequency_hz <= 8000)
    level_db = 20 * np.log10(np.abs(whole[inside]))
    assert np.ptp(level_db) / 2 < 2.0
    assert np.std(level_db) < 0.7


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: DelayModel(k=0.0), "chirp_k"),
        (lambda: DelayModel(k=1.0), "allowed is 0.2 to 10 ms"),
        (lambda: DelayModel(k=float("nan")), "chirp_k"),
        (lambda: DelayModel(d=0.05), "chirp_d"),
        (lambda: DelayModel(d=float("nan")), "chirp_d"),
        (lambda: DelayModel.of_span(11.0), "chirp_span_ms"),
        (lambda: DelayModel.of_span(float("nan")), "chirp_span_ms"),
        (lambda: chirp(24_000.0), "too few"),
        (lambda: octave_chirp(24_000.0, 8000.0), "too few"),
        (lambda: octave_chirp(48_000.0, 60.0), "lower its delay"),
    ],
)
def test_refuses_what_is_no_chirp(make, words):
    with pytest.raises(ValueError, match=words):
        make()
