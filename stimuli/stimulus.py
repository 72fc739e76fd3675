"""The specification of a stimulus: its kind and parameters, from which the waveform is made."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Literal, get_args

from quietfloor.stimuli.base import Waveform
from quietfloor.stimuli.chirps import FIXED_D, FIXED_K, DelayModel, chirp, octave_chirp
from quietfloor.stimuli.clicks import ALLOWED_US, DURATION_US, click
from quietfloor.stimuli.custom import fingerprint, read_wav
from quietfloor.stimuli.tones import CYCLES, check_burst, tone_burst

# Those of which `WAVEFORMS` has the form that reference levels hold for.
Standard = Literal["click", "tone-burst", "chirp", "octave-chirp"]
Kind = Literal[Standard, "custom"]
KINDS: tuple[Kind, ...] = get_args(Kind)
# Which parameters belong to which kind; any other is refused rather than ignored.
PARAMETERS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "click": ("duration_us",),
        "tone-burst": ("frequency_hz", "cycles", "envelope"),
        "chirp": ("chirp_k", "chirp_d", "chirp_span_ms"),
        "octave-chirp": ("frequency_hz", "chirp_k", "chirp_d", "chirp_span_ms"),
        "custom": ("wav", "wav_zero_ms"),
    }
)
FREQUENCY_HZ = (250.0, 8000.0)  # own choice: the frequencies of a hearing test


@dataclass(frozen=True)
class StimulusSpec:
    """One stimulus. A parameter that is not given has its published value; a parameter of another kind of stimulus raises
    ValueError.

    duration_us: click. frequency_hz: tone burst, or centre of an octave chirp, 250 to 8000. cycles: rise, plateau, fall.
    envelope: see `ENVELOPES`.
    chirp_k, chirp_d: delay along the cochlea; chirp_span_ms instead of chirp_k: the delay between 710 and 5700 Hz.
    wav: file of a custom sound; wav_zero_ms: time zero, from its first sample.
    """

    kind: str = "click"
    frequency_hz: float | None = None
    cycles: tuple[float, float, float] | None = None
    envelope: str | None = None
    chirp_k: float | None = None
    chirp_d: float | None = None
    chirp_span_ms: float | None = None
    wav: str | None = None
    wav_zero_ms: float | None = None
    duration_us: float | None = None

    def __post_init__(self) -> None:
        if self.kind not in PARAMETERS:
            raise ValueError(f"stimulus = {self.kind!r}; allowed are {', '.join(KINDS)}")
        own = PARAMETERS[self.kind]
        for name in {name for names in PARAMETERS.values() for name in names}.difference(own):
            if getattr(self, name) is not None:
                kinds = " and ".join(kind for kind, names in PARAMETERS.items() if name in names)
                raise ValueError(f"{name} = {getattr(self, name)} belongs to {kinds}, but stimulus = {self.kind!r}: leave it out")
        if self.kind == "click":
            low, high = ALLOWED_US
            if not low <= self._duration_us <= high:
                raise ValueError(f"duration_us = {self._duration_us:g}; allowed is {low:g} to {high:g}")
        if "frequency_hz" in own:
            self._check_frequency()
        if self.kind == "tone-burst":
            self._fill(cycles=CYCLES, envelope="linear")
            assert self.frequency_hz is not None
            check_burst(self.frequency_hz, self.cycles or CYCLES, self.envelope or "linear")
        if "chirp_k" in own:
            if self.chirp_k is not None and self.chirp_span_ms is not None:
                raise ValueError("chirp_k and chirp_span_ms are two ways to say the same: give one of them")
            self._fill(chirp_d=FIXED_D, chirp_k=FIXED_K if self.chirp_span_ms is None else None)
            self.delay_model  # noqa: B018  checks them
        if self.kind == "custom":
            if self.wav is None:
                raise ValueError("stimulus = 'custom' needs a sound: give wav = the path of a WAV file")
            self._fill(wav_zero_ms=0.0)
            if not 0 <= (self.wav_zero_ms or 0.0) <= 500:
                raise ValueError(f"wav_zero_ms = {self.wav_zero_ms}; allowed is 0 to 500, and not after the end of the sound")

    def _fill(self, **defaults: object) -> None:
        for name, value in defaults.items():
            if getattr(self, name) is None:
                object.__setattr__(self, name, value)

    def _check_frequency(self) -> None:
        low, high = FREQUENCY_HZ
        if self.frequency_hz is None:
            raise ValueError(f"stimulus = {self.kind!r} needs frequency_hz, {low:g} to {high:g}")
        if not low <= self.frequency_hz <= high:
            raise ValueError(f"frequency_hz = {self.frequency_hz:g}; allowed is {low:g} to {high:g}")

    @property
    def _duration_us(self) -> float:
        return DURATION_US if self.duration_us is None else self.duration_us

    @property
    def delay_model(self) -> DelayModel:
        """Delay model of a chirp or an octave chirp."""
        d = FIXED_D if self.chirp_d is None else self.chirp_d
        if self.chirp_span_ms is not None:
            return DelayModel.of_span(self.chirp_span_ms, d)
        return DelayModel(FIXED_K if self.chirp_k is None else self.chirp_k, d)

    @property
    def name(self) -> str:
        """Name for display, such as "tone burst 500 Hz"."""
        if self.kind == "custom":
            return f"custom {Path(self.wav or '').name}"
        words = [self.kind.replace("-", " ")]
        if self.kind == "click" and self._duration_us != DURATION_US:
            words.append(f"{self._duration_us:g} us")
        if self.frequency_hz is not None:
            words.append(f"{self.frequency_hz:g} Hz")
        if self.kind == "chirp" and self.delay_model != DelayModel():
            words.append(f"{1e3 * self.delay_model.span_s:.2f} ms")
        return " ".join(words)

    @property
    def shape(self) -> str:
        """Further description for display; "" if there is none."""
        if self.kind == "click":
            return f"{self._duration_us:g} us, rectangular"
        if self.kind == "tone-burst":
            assert self.cycles is not None
            return f"{'-'.join(f'{n:g}' for n in self.cycles)} cycles, {self.envelope} envelope"
        if "chirp_k" in PARAMETERS[self.kind]:
            model = self.delay_model
            return f"delay {model.k:.4f} f^-{model.d:g} s, {1e3 * model.span_s:.3f} ms between 710 and 5700 Hz"
        return ""

    def waveform(self, rate_hz: float) -> Waveform:
        """Return the condensation form at this rate. Raises ValueError for a rate that cannot carry it, or for a bad file."""
        if self.kind == "click":
            return click(rate_hz, self._duration_us)
        if self.kind == "custom":
            return read_wav(Path(self.wav or ""), rate_hz, 1e-3 * (self.wav_zero_ms or 0.0))
        if self.kind == "chirp":
            return chirp(rate_hz, self.delay_model)
        assert self.frequency_hz is not None
        if self.kind == "octave-chirp":
            return octave_chirp(rate_hz, self.frequency_hz, self.delay_model)
        return tone_burst(rate_hz, self.frequency_hz, self.cycles or CYCLES, self.envelope or "linear")

    def time_zero_s(self, rate_hz: float) -> float:
        """Time from the first sample to time zero of latencies, s; opens no file."""
        return 1e-3 * (self.wav_zero_ms or 0.0) if self.kind == "custom" else _time_zero_s(self, rate_hz)

    def record(self) -> dict[str, object]:
        """All parameters for a record, None for those of other kinds; for chirps also the span, for WAV files the SHA-256."""
        known = {name: getattr(self, name) for name in self.__dataclass_fields__}
        if "chirp_k" in PARAMETERS[self.kind]:
            known |= {"chirp_k": self.delay_model.k, "chirp_span_ms": 1e3 * self.delay_model.span_s}
        if self.kind == "click":
            known["duration_us"] = self._duration_us
        return known | {"wav_sha256": None if self.wav is None else fingerprint(Path(self.wav))}

    @property
    def parameters(self) -> dict[str, object]:
        """Parameters of this kind, with defaults filled in, but for the duration of a click: a plan that says nothing is one of a
        click, and another stimulus can be put into it."""
        return {name: getattr(self, name) for name in PARAMETERS[self.kind]}


@lru_cache(maxsize=256)  # a plan asks for it several times, and the status of a session makes a plan for each level
def _time_zero_s(spec: StimulusSpec, rate_hz: float) -> float:
    return spec.waveform(rate_hz).time_zero_s
