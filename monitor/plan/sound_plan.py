"""Sound settings of a plan: stimulus, level, output, and masking noise."""

from __future__ import annotations

import contextlib
import math
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    field_validator,
    model_validator,
)

from quietfloor.monitor.core.averaging import UNIT_SWEEPS
from quietfloor.monitor.waves.expected import wave_v_bracket_ms
from quietfloor.stimuli.calibration import BOTH
from quietfloor.stimuli.chirps import span_for_level
from quietfloor.stimuli.clicks import DURATION_US
from quietfloor.stimuli.devices import DeviceError
from quietfloor.stimuli.ear_steps import AGES_MONTHS
from quietfloor.stimuli.frames import EARPHONE_JACK_DB_FS, TRIGGER_DB_FS
from quietfloor.stimuli.ipsilateral import KINDS as IPSILATERAL
from quietfloor.stimuli.ipsilateral import LEVELS_DB_SPL, require_edges, usual_edges_hz
from quietfloor.stimuli.levels import STATED, stated_level
from quietfloor.stimuli.outputs import BLOCK, CHANNELS, LONGEST_BLOCK, ONE_EARPHONE, SHORTEST_BLOCK, check_block
from quietfloor.stimuli.schedule import Schedule
from quietfloor.stimuli.stimulus import Kind, Standard, StimulusSpec
from quietfloor.stimuli.together import REST, SLOWEST_PER_S, Together, locked, refuse_locked, shortest_interval_s

WAKE_UP_S = 2.0  # own choice: some interfaces mute or fade in the beginning of a stream
OF_SOUND_CARD = ("output", "channels", "trigger_on_earphone_jack", "block", "allow_shared", "bits")
UNSTATED = (
    "time_zero_ms", "time_zero_is", "level_db_fs", "level_db_ppe", "level_db_zeq", "level_rests_on", "reference_db",
    "reference_scale", "reference_source", "polarity", "random_polarity", "rate_per_s", "random_pauses_ms",
    "random_interval_ms", "trigger_db_fs", "output", "dose", "age_months", "age_change", "dose_policy",
)  # fmt: skip
EARPHONE_JACK_CAUTION = (
    "The trigger leaves by output {}, a jack that usually feeds an ear: nothing that somebody can wear may be connected to it. "
    "Sound dose and ceiling count it as if an earphone were there."
)
_Channel = Annotated[int, Field(ge=1, le=256)]


class Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=False, allow_inf_nan=False)


def _require_usual_click(duration_us: float | None, level_db_nhl: float | None) -> None:
    """Raise ValueError for a level in dB nHL of a click of another duration: what is published in dB nHL is of 100 us."""
    if level_db_nhl is not None and duration_us not in (None, DURATION_US):
        raise ValueError(
            f"level_db_nhl = {level_db_nhl:g} with duration_us = {duration_us:g}: 0 dB nHL and what is published in dB nHL are "
            f"those of the click of {DURATION_US:g} us: give level_db_ppe_spl or level_db_fs, or leave out duration_us"
        )


class SoundPlan(Section):
    """The sound that this program plays. Without this table other equipment makes the sound, and the program listens."""

    stimulus: Kind = "click"
    duration_us: float | None = Field(default=None, description="of a click")
    frequency_hz: float | None = Field(default=None, description="of a tone burst or octave chirp, 250 to 8000")
    cycles: tuple[float, float, float] | None = Field(
        default=None, description="of a tone burst: rise, plateau, fall", examples=[[2, 1, 2]]
    )
    envelope: Literal["linear", "cosine", "blackman"] | None = Field(default=None, description="of a tone burst's rise and fall")
    chirp_k: float | None = Field(default=None, description="delay along the cochlea k f^-d, in s")
    chirp_d: float | None = Field(default=None, description="delay along the cochlea k f^-d")
    chirp_span_ms: float | None = Field(default=None, description="instead of chirp_k: delay between 710 and 5700 Hz")
    chirp_by_level: bool = Field(default=False, description="the span that is best at this level")
    wav: str | None = Field(default=None, description="file of a custom stimulus, mono")
    wav_zero_ms: float | None = Field(default=None, description="time zero of a custom stimulus, from its first sample")
    ear: Literal["left", "right", "both"] = Field(
        default="right", description="both: the same sound in both ears at once, each at the level; single runs only"
    )
    level_db_nhl: float | None = Field(default=None, ge=-40, le=120)
    level_db_ppe_spl: float | None = Field(
        default=None, ge=-20, le=150, description="peak-to-peak equivalent level, where no reference for dB nHL is known"
    )
    level_db_fs: float | None = Field(default=None, ge=-140, le=0, description="dB re full scale, where there is no calibration")
    polarity: Literal["condensation", "rarefaction", "alternating"] = "alternating"
    rate_per_s: float = Field(default=47.1, ge=1, le=100)
    random_polarity: bool = Field(default=True, description="each 16 sweeps begin with either polarity, by a coin")
    random_pause: bool = Field(default=True, description="after every 16 sweeps, over one period of each of mains_hz")
    random_interval_ms: float | None = Field(
        default=None, ge=0, le=100, description="each sound comes later than in an even train, by up to so much, drawn at random"
    )
    together: bool = Field(default=False, description="both ears at once, in a search of both ears by air")
    sounds_per_ear: int = Field(default=1, ge=1, le=2, description="different sounds that an ear hears at once, with together")
    mains_hz: tuple[Annotated[float, Field(ge=16, le=400)], ...] = (50.0, 60.0)
    lead_in_s: float = Field(default=2.0, ge=0.1, le=60)
    route: Literal["air", "bone"] = "air"
    transducer: Literal["insert", "supra-aural", "circumaural", "bone-vibrator"] = "insert"
    age_group: Literal["adult", "child", "infant"] = "adult"
    age_months: float | None = Field(
        default=None, ge=0, le=1500, description="the sound dose of infants and children depends on it; by default the youngest"
    )
    dose_policy: str | None = Field(default=None, description="sealed file by which the lab raises the sound dose of a day")
    age_change: str | None = Field(
        default=None, min_length=1, max_length=200, description="why an earlier run of the day had a younger age for this person"
    )
    calibration: str | None = Field(default=None, description="calibration file of the output; only dB re full scale needs none")
    equalise: bool = Field(default=False, description="undo the earphone's response, as the calibration has measured it")
    references: str | None = Field(default=None, description="file with reference thresholds of your own")
    masking: Literal["none", "white", "octave-band"] = Field(default="none", description="noise in the other ear")
    masking_level_db_em: float | None = Field(default=None, ge=-20, le=100, description="effective masking; needs a calibration")
    masking_level_db_fs: float | None = Field(default=None, ge=-120, le=0, description="RMS, uncalibrated")
    masking_frequency_hz: float | None = Field(
        default=None, ge=125, le=8000, description="centre of octave-band noise; by default the frequency of the stimulus"
    )
    masking_transducer: Literal["insert", "supra-aural", "circumaural"] | None = Field(
        default=None, description="of the other ear; by default as for the stimulus"
    )
    masking_calibration: str | None = Field(
        default=None, description="calibration file of masking_transducer, where it is another earphone than the stimulus has"
    )
    ipsilateral_noise: Literal["none", "broadband", "high-pass", "notched"] = Field(
        default="none", description="noise in the tested ear, for the response of one place"
    )
    ipsilateral_noise_level_db_spl: float | None = Field(
        default=None, ge=LEVELS_DB_SPL[0], le=LEVELS_DB_SPL[1],
        description="RMS from 100 to 10000 Hz, before notch or high-pass are cut; needs a calibration",
    )  # fmt: skip
    ipsilateral_noise_level_db_fs: float | None = Field(default=None, ge=-120, le=0, description="the same, uncalibrated")
    ipsilateral_noise_notch_hz: tuple[float, float] | None = Field(
        default=None, description="edges of the notch; by default half an octave to either side of the stimulus",
        examples=[[707, 1414]],
    )  # fmt: skip
    ipsilateral_noise_high_pass_hz: float | None = Field(
        default=None, description="edge of the high-pass; by default half an octave above the frequency of the stimulus"
    )
    muted: bool = Field(default=False, description="control run: trigger without stimulus")
    device: Literal["lsl", "sound-card"] = "lsl"
    device_source_id: str = "quietfloor-audio"
    output: str | None = Field(default=None, description="of the sound card, by name or number; see `quietfloor outputs`")
    channels: tuple[_Channel, _Channel, _Channel] = Field(
        default=CHANNELS, description="outputs of the sound card for left, right, trigger, from 1", examples=[[1, 2, 3]]
    )
    block: int = Field(default=BLOCK, ge=SHORTEST_BLOCK, le=LONGEST_BLOCK, description="frames at a time for the sound card")
    allow_shared: bool = Field(default=False, description="accept a mixer or resampler in front of the sound card")
    trigger_db_fs: float = Field(
        default=TRIGGER_DB_FS, ge=-80, le=0, description="size of the trigger, peak to peak; no ceiling holds it"
    )
    trigger_on_earphone_jack: bool = Field(
        default=False, description="one earphone for both ears, as channels = [1, 1, 2]; then -60 is the default of trigger_db_fs"
    )
    bits: int = Field(default=24, ge=16, le=32, description="of the sound card's converter")
    held_to_plan: bool = Field(default=True, description="triggers must follow the random pauses of this run's own sound")
    sample_rate_hz: float = Field(default=48000.0, ge=32000, le=192000)
    speed: float = Field(default=1.0, ge=0.1, le=50, description="virtual devices only: times real time")
    seed: int = Field(default=1, ge=0, le=2**63 - 1)

    @model_validator(mode="before")
    @classmethod
    def _written_out(cls, data: Any) -> Any:
        """Fill in every parameter of the stimulus that was left out. Wrong values are reported later."""
        if isinstance(data, dict):
            given = {name: data[name] for name in StimulusSpec.__dataclass_fields__ if data.get(name) is not None}
            with contextlib.suppress(ValueError, TypeError):
                if not data.get("chirp_by_level"):
                    filled = StimulusSpec(data.get("stimulus", "click"), **given).parameters
                    data = {name: value for name, value in filled.items() if value is not None} | data
            if data.get("trigger_on_earphone_jack") is True:
                data = {"trigger_db_fs": EARPHONE_JACK_DB_FS} | data
        return data

    @field_validator("channels", mode="before")
    @classmethod
    def _no_zero(cls, channels: Any) -> Any:
        """Explain how a card with two outputs is routed, where somebody leaves an ear out."""
        if isinstance(channels, (list, tuple)) and any(type(channel) is int and channel == 0 for channel in channels):
            raise ValueError(
                f"channels = {list(channels)}: outputs count from 1, and none can be left out. On a card with two outputs one "
                "earphone is moved between the ears: channels = [1, 1, 2], with trigger_on_earphone_jack = true"
            )
        return channels

    @model_validator(mode="after")
    def _one_stimulus(self) -> SoundPlan:
        if self.chirp_by_level:
            if self.chirp_span_ms is not None or self.chirp_k is not None:
                raise ValueError("chirp_by_level chooses the span: leave out chirp_span_ms and chirp_k")
            if self.level_db_nhl is None:
                raise ValueError("chirp_by_level needs level_db_nhl: which chirp is best is known by level in dB nHL only")
        self.spec.time_zero_s(self.sample_rate_hz)  # makes it, where no file is needed
        return self

    @property
    def level(self) -> tuple[float, str]:
        """The level and its unit, as it was given."""
        level = stated_level(vars(self))
        assert level is not None  # checked above
        return level

    @property
    def spec(self) -> StimulusSpec:
        """The stimulus with its parameters; for a chirp by level, with the span for this level."""
        span_ms = self.chirp_span_ms
        if self.chirp_by_level and self.level_db_nhl is not None:
            span_ms = span_for_level(self.level_db_nhl)
        return StimulusSpec(
            self.stimulus,
            duration_us=self.duration_us,
            frequency_hz=self.frequency_hz,
            cycles=self.cycles,
            envelope=self.envelope,
            chirp_k=self.chirp_k,
            chirp_d=self.chirp_d,
            chirp_span_ms=span_ms,
            wav=self.wav,
            wav_zero_ms=self.wav_zero_ms,
        )

    def latency_ms(self, window_ms: tuple[float, float]) -> tuple[float, float]:
        """Earliest and latest published latency of wave V for this sound, inside the window; all of it for a sound in noise, as
        what is published is of responses in quiet."""
        if self.ipsilateral_noise != "none":
            return window_ms
        spec = self.spec
        span_ms = 1e3 * spec.delay_model.span_s if self.stimulus == "chirp" else None
        return wave_v_bracket_ms(
            self.stimulus, self.level_db_nhl, self.age_group, window_ms, frequency_hz=spec.frequency_hz, span_ms=span_ms
        )

    @property
    def time_zero_ms(self) -> float:
        """Time from the first sample of each sound to its time zero, in ms."""
        return 1e3 * self.spec.time_zero_s(self.sample_rate_hz)

    @property
    def room_ms(self) -> float:
        """The shortest time from time zero to the next sound in the same ear, in ms."""
        return 1e3 * self._interval_s(self.rate_per_s) - (self.random_interval_ms or 0.0) - self.time_zero_ms

    def slower_per_s(self, least_ms: float, most_per_s: float = math.inf) -> float:
        """The largest rate up to ``most_per_s``, in steps of 0.1/s, at which at least this time passes from one sound of an ear
        to the next; with both ears at once one that can be played."""
        least_ms += self.random_interval_ms or 0.0
        tenths = math.floor(min(1e4 * self._interval_s(1.0) / least_ms, 10.0 * most_per_s + 1e-6))
        while self.together and tenths > 10 * SLOWEST_PER_S and locked(tenths / 10, self.mains_hz, self.sounds_per_ear):
            tenths -= 1
        return tenths / 10

    def _interval_s(self, rate_per_s: float) -> float:
        return shortest_interval_s(rate_per_s, self.sounds_per_ear) if self.together else 1.0 / rate_per_s

    @model_validator(mode="after")
    def _random_interval_within_the_interval(self) -> SoundPlan:
        if (self.random_interval_ms or 0.0) >= 1e3 / self.rate_per_s:
            raise ValueError(
                f"random_interval_ms = {self.random_interval_ms:g} at rate_per_s = {self.rate_per_s:g}: allowed is less than the "
                f"{1e3 / self.rate_per_s:.1f} ms between two sounds: lower one of them"
            )
        return self

    @model_validator(mode="after")
    def _together_by_air(self) -> SoundPlan:
        if not self.together:
            if self.sounds_per_ear > 1:
                raise ValueError(f"sounds_per_ear = {self.sounds_per_ear} needs together = true: both ears at once")
            return self
        if self.random_interval_ms:
            raise ValueError(
                f"random_interval_ms = {self.random_interval_ms:g} with together = true: the sounds of both ears come at random "
                "to each other already: leave random_interval_ms out"
            )
        if self.route == "bone":
            raise ValueError("together = true by bone: a vibrator moves both ears; test one ear after the other")
        if not (self.random_pause and self.held_to_plan):
            raise ValueError("together = true: both ears' sounds are found by the plan: leave random_pause and held_to_plan on")
        if self.rate_per_s < SLOWEST_PER_S:
            raise ValueError(f"together = true at rate_per_s = {self.rate_per_s:g}: allowed is {SLOWEST_PER_S:g} and more")
        refuse_locked(self.rate_per_s, self.mains_hz, self.sounds_per_ear)
        return self

    @field_validator("output", mode="before")
    @classmethod
    def _output_number(cls, output: Any) -> Any:
        """Accept a number of an output that is written as a number."""
        return str(output) if isinstance(output, int) and not isinstance(output, bool) else output

    @model_validator(mode="after")
    def _one_device(self) -> SoundPlan:
        card = self.device == "sound-card"
        fields = type(self).model_fields
        of_card = [name for name in OF_SOUND_CARD if getattr(self, name) != fields[name].default]
        if of_card and not card:
            raise ValueError(f"{of_card[0]} is for a sound card: add device = \"sound-card\", or leave it out")
        if card and self.speed != 1.0:
            raise ValueError(f"speed = {self.speed:g}: a sound card plays in real time, leave speed out")
        if card and self.lead_in_s < WAKE_UP_S:
            raise ValueError(
                f"lead_in_s = {self.lead_in_s:g}: a sound card needs {WAKE_UP_S:g} s of stream to wake up before the first sound"
            )
        self._check_routing()
        if card:
            try:
                check_block(self.block, self.sample_rate_hz)
            except DeviceError as error:
                raise ValueError(str(error)) from error
        return self

    def _check_routing(self) -> None:
        """Raise ValueError unless left, right and trigger have an output each, or it is stated that one earphone serves both
        ears."""
        given, (left, right, trigger) = f"channels = {list(self.channels)}", self.channels
        if trigger in (left, right):
            raise ValueError(f"{given}: left, right and trigger need an output each")
        if left != right:
            if self.trigger_on_earphone_jack:
                raise ValueError(
                    f"trigger_on_earphone_jack = true belongs to one earphone for both ears, such as channels = "
                    f"{list(ONE_EARPHONE)}, not to {given}: change channels, or leave it out"
                )
            return
        if not self.trigger_on_earphone_jack:
            raise ValueError(
                f"{given}: one earphone for both ears, and the trigger leaves by output {trigger}, which usually feeds an ear. "
                "If nothing that somebody can wear is connected there, and nothing will be, add trigger_on_earphone_jack = true; "
                "otherwise left, right and trigger need an output each"
            )
        if self.masking != "none":
            raise ValueError(
                f"masking = {self.masking!r} with {given}: the noise would have to come from a second earphone, and the trigger "
                f"uses its output: leave masking out, or use a card with three outputs"
            )
        if self.together:
            raise ValueError(
                f"together = true with {given}: one earphone cannot be on both ears: leave together out, or use a card with "
                "three outputs"
            )

    @model_validator(mode="after")
    def _one_level(self) -> SoundPlan:
        given = [(key, db) for key in STATED if (db := getattr(self, key)) is not None]
        if len(given) != 1:
            raise ValueError(
                "give exactly one of level_db_nhl (needs a calibration), level_db_ppe_spl (needs one too) and level_db_fs "
                "(uncalibrated)"
            )
        key, level_db = given[0]
        _require_usual_click(self.duration_us, self.level_db_nhl)
        if key != "level_db_fs" and self.calibration is None:
            raise ValueError(
                f"{key} = {level_db:g} needs a calibration file: name it as calibration, or give level_db_fs "
                "(dB re full scale, uncalibrated)"
            )
        if key == "level_db_ppe_spl" and self.route == "bone":
            raise ValueError(
                f"{key} = {level_db:g} with route = \"bone\": a bone vibrator has no sound pressure; give level_db_nhl, or "
                "level_db_fs"
            )
        return self

    @model_validator(mode="after")
    def _age_fits(self) -> SoundPlan:
        low, high = AGES_MONTHS[self.age_group]
        if self.age_months is not None and not low <= self.age_months <= high:
            raise ValueError(
                f"age_months = {self.age_months:g} with age_group = {self.age_group!r}: allowed are {low:g} to {high:g} months"
            )
        return self

    @model_validator(mode="after")
    def _one_route(self) -> SoundPlan:
        if (self.transducer == "bone-vibrator") != (self.route == "bone"):
            fitting = "bone" if self.transducer == "bone-vibrator" else "air"
            raise ValueError(f"transducer = {self.transducer!r} with route = {self.route!r}: write route = \"{fitting}\"")
        return self

    @model_validator(mode="after")
    def _masking_complete(self) -> SoundPlan:
        given = [
            name
            for name in type(self).model_fields
            if name.startswith("masking_") and getattr(self, name) is not None
        ]
        if self.masking == "none":
            if given:
                raise ValueError(f"{given[0]} without noise: add masking = \"white\" or \"octave-band\", or leave it out")
            return self
        if (self.masking_level_db_em is None) == (self.masking_level_db_fs is None):
            raise ValueError("masking: give exactly one of masking_level_db_em (needs a calibration) and masking_level_db_fs")
        if self.masking == "white" and self.masking_frequency_hz is not None:
            raise ValueError("masking_frequency_hz belongs to octave-band noise; white noise has none: leave it out")
        if self.masking == "octave-band" and self.masking_hz is None:
            raise ValueError(f"masking = \"octave-band\" with stimulus = {self.stimulus!r} needs masking_frequency_hz")
        if self.route == "bone" and self.masking_transducer is None:
            raise ValueError("masking by bone needs an earphone on the other ear: name it as masking_transducer")
        if self.masking_level_db_em is not None and self.masking_output[1] is None:
            raise ValueError(
                "masking_level_db_em needs a calibration file: name it as calibration (as masking_calibration where the noise "
                "has another earphone than the stimulus), or give masking_level_db_fs (dB re full scale, uncalibrated)"
            )
        return self

    @model_validator(mode="after")
    def _equalised_sound(self) -> SoundPlan:
        if not self.equalise:
            return self
        if self.calibration is None:
            raise ValueError("equalise = true needs a calibration with the response of the earphone: name it as calibration")
        if self.route == "bone":
            raise ValueError("equalise = true by bone: only the response of an earphone can be undone; leave it out")
        if self.ear == BOTH:
            raise ValueError('equalise = true with ear = "both": each earphone needs a filter of its own; give left or right')
        if self.level_db_nhl is not None:
            raise ValueError(
                f"equalise = true with level_db_nhl = {self.level_db_nhl:g}: reference thresholds are of sounds with the "
                "response of their earphone; give level_db_ppe_spl or level_db_fs in a run of one level, or leave equalise out"
            )
        return self

    @property
    def stimulus_name(self) -> str:
        """Name for display, such as "tone burst 500 Hz", or "click equalised"."""
        return f"{self.spec.name} equalised" if self.equalise else self.spec.name

    @model_validator(mode="after")
    def _both_ears_hear_one_sound(self) -> SoundPlan:
        if self.ear != BOTH:
            return self
        against = {
            'route = "bone"': (self.route == "bone", "a vibrator moves both cochleae anyway: give left or right"),
            "together = true": (self.together, "there each ear has sounds of its own: leave ear out"),
            f'masking = "{self.masking}"': (self.masking != "none", "no ear is left for the noise: leave one of them out"),
            f'ipsilateral_noise = "{self.ipsilateral_noise}"': (
                self.ipsilateral_noise != "none", "that is noise in the ear of one stimulus: leave one of them out",
            ),
            "trigger_on_earphone_jack = true": (
                self.trigger_on_earphone_jack, "one earphone cannot be on both ears: use a card with three outputs",
            ),
        }  # fmt: skip
        for key, (given, why) in against.items():
            if given:
                raise ValueError(f'ear = "both" with {key}: {why}')
        return self

    @model_validator(mode="after")
    def _ipsilateral_noise_complete(self) -> SoundPlan:
        kind, about = self.ipsilateral_noise, "ipsilateral_noise"
        given = [name for name in type(self).model_fields if name.startswith(f"{about}_") and getattr(self, name) is not None]
        if kind == "none":
            if given:
                others = ", ".join(f'"{one}"' for one in IPSILATERAL)
                raise ValueError(f"{given[0]} without noise: add {about} = one of {others}, or leave it out")
            return self
        if self.route == "bone":
            raise ValueError(
                f"{about} = \"{kind}\" with route = \"bone\": a bone vibrator gives no noise of a known level over a wide band: "
                f"use an earphone, or leave {about} out"
            )
        if self.together:
            raise ValueError(f"{about} = \"{kind}\" with together = true: it goes with one ear at a time: leave one of them out")
        levels = (self.ipsilateral_noise_level_db_spl, self.ipsilateral_noise_level_db_fs)
        if (levels[0] is None) == (levels[1] is None):
            raise ValueError(
                f"{about}: give exactly one of {about}_level_db_spl (needs a calibration) and {about}_level_db_fs (uncalibrated)"
            )
        if levels[0] is not None and self.calibration is None:
            raise ValueError(
                f"{about}_level_db_spl = {levels[0]:g} needs a calibration file: name it as calibration, or give "
                f"{about}_level_db_fs (dB re full scale, uncalibrated)"
            )
        for name, owner in ((f"{about}_notch_hz", "notched"), (f"{about}_high_pass_hz", "high-pass")):
            if name in given and kind != owner:
                raise ValueError(f"{name} belongs to {about} = \"{owner}\", not to \"{kind}\": leave it out")
            if kind == owner and name not in given and self.frequency_hz is None:
                raise ValueError(f"{about} = \"{kind}\" with stimulus = {self.stimulus!r}, which has no frequency: give {name}")
        require_edges(kind, self.ipsilateral_edges_hz)
        return self

    @property
    def ipsilateral_edges_hz(self) -> tuple[float, ...]:
        """Edges of the noise in the tested ear: of its notch, or of its high-pass; () for none."""
        if self.ipsilateral_noise == "none":
            return ()
        if self.ipsilateral_noise_high_pass_hz is not None:
            return (self.ipsilateral_noise_high_pass_hz,)
        return self.ipsilateral_noise_notch_hz or usual_edges_hz(self.ipsilateral_noise, self.frequency_hz)

    @property
    def card_channels(self) -> tuple[int, int, int] | None:
        """Outputs of the sound card for left, right, trigger; None for audio over LSL, which has none."""
        return self.channels if self.device == "sound-card" else None

    @property
    def caution(self) -> str:
        """What must be known of this routing before anybody is connected; empty for the usual one."""
        if not self.trigger_on_earphone_jack:
            return ""
        return EARPHONE_JACK_CAUTION.format(self.channels[2])

    @property
    def masking_ear(self) -> Literal["left", "right"]:
        return "left" if self.ear == "right" else "right"

    @property
    def masking_hz(self) -> float | None:
        """Centre of the noise; None for white noise, or where none is known."""
        if self.masking != "octave-band":
            return None
        return self.frequency_hz if self.masking_frequency_hz is None else self.masking_frequency_hz

    @property
    def masking_output(self) -> tuple[str, str | None]:
        """Transducer and calibration file of the noise: its own, or those of the stimulus if the same earphone plays both."""
        transducer = self.masking_transducer or self.transducer
        same = transducer == self.transducer
        return transducer, self.masking_calibration or (self.calibration if same else None)

    @property
    def pauses_s(self) -> tuple[float, ...]:
        """Largest value of each random number whose sum is the pause, in s: one period of each mains; empty at a fixed rate."""
        return tuple(1 / hz for hz in self.mains_hz) if self.random_pause else ()

    def schedule(self) -> Schedule:
        """Onset and polarity of each sound, or with both ears at once of each frame. Raises ScheduleError."""
        one_ear = Schedule(
            rate_per_s=self.rate_per_s,
            sample_rate_hz=self.sample_rate_hz,
            polarity=self.polarity,
            random_polarity=self.random_polarity,
            pauses_s=self.pauses_s,
            seed=self.seed,
            lead_in_s=self.lead_in_s,
            random_interval_s=1e-3 * (self.random_interval_ms or 0.0),
        )
        return Together.of(one_ear, self.sounds_per_ear).frames if self.together else one_ear

    @property
    def at_once(self) -> int:
        """How many sounds each of both ears hears at once; 0: one ear at a time."""
        return self.sounds_per_ear if self.together else 0

    @property
    def both_ears(self) -> Together | None:
        """When both ears hear their sounds; None for one ear at a time. Raises ScheduleError."""
        return Together(self.schedule(), self.sounds_per_ear) if self.together else None

    @property
    def rate_words(self) -> str:
        """Stimuli a second, such as "47.1/s", and by how much their intervals differ where that is random."""
        return f"{self.rate_per_s:g}/s" + (f", intervals ±{self.random_interval_ms:g} ms" if self.random_interval_ms else "")

    @property
    def sweep_s(self) -> float:
        """Mean time from one sound to the next in s, pauses included; with both ears at once from one frame to the next."""
        rest_s = REST[self.sounds_per_ear - 1] / self.rate_per_s if self.together else 0.0
        return 1.0 / self.rate_per_s + (sum(self.pauses_s) / 2.0 + rest_s) / UNIT_SWEEPS

    def lasts_s(self, sweeps: int) -> float:
        """Duration of this many sweeps, and the silence before them, in s."""
        return self.lead_in_s + sweeps * self.sweep_s


class StatedPlan(Section):
    """The sound of other equipment, as its operator states it; this program neither plays nor measures it. Missing keys are not
    known."""

    stimulus: Standard
    duration_us: float | None = Field(default=None, description="of a click")
    frequency_hz: float | None = Field(default=None, description="of a tone burst or octave chirp, 250 to 8000")
    cycles: tuple[float, float, float] | None = Field(
        default=None, description="of a tone burst: rise, plateau, fall", examples=[[2, 1, 2]]
    )
    envelope: Literal["linear", "cosine", "blackman"] | None = Field(default=None, description="of a tone burst's rise and fall")
    chirp_span_ms: float | None = Field(default=None, description="of a chirp: delay between 710 and 5700 Hz")
    ear: Literal["left", "right"]
    route: Literal["air", "bone"] = "air"
    level_db_nhl: float | None = Field(default=None, ge=-40, le=120)
    level_db_ppe_spl: float | None = Field(default=None, ge=-20, le=150, description="peak-to-peak equivalent level")
    muted: bool = Field(default=False, description="control run: trigger without stimulus")
    transducer: Literal["insert", "supra-aural", "circumaural", "bone-vibrator"] | None = None
    age_group: Literal["adult", "child", "infant"] | None = None
    masking: Literal["none", "white", "octave-band"] = Field(default="none", description="noise in the other ear")
    masking_level_db_em: float | None = Field(default=None, ge=-20, le=100, description="effective masking")
    masking_transducer: Literal["insert", "supra-aural", "circumaural"] | None = None

    @classmethod
    def of_sound(cls, sound: SoundPlan) -> StatedPlan | None:
        """The [sound] of a plan as stated values, for a run in which other equipment plays; None for the sound of a file, and
        for noise in the tested ear, one sound in both ears, or an equalised one, which cannot be stated."""
        if sound.stimulus == "custom" or sound.ipsilateral_noise != "none" or sound.ear == BOTH or sound.equalise:
            return None
        known = {name: getattr(sound, name) for name in cls.model_fields}
        if sound.stimulus == "chirp":
            known["chirp_span_ms"] = round(1e3 * sound.spec.delay_model.span_s, 6)
        if sound.masking != "none":
            known["masking_transducer"] = sound.masking_output[0]
        return cls.model_validate(known)

    @model_validator(mode="after")
    def _one_stimulus(self) -> StatedPlan:
        _ = self.spec
        if self.level_db_nhl is not None and self.level_db_ppe_spl is not None:
            raise ValueError("give one of level_db_nhl and level_db_ppe_spl, or none where the level is not known")
        _require_usual_click(self.duration_us, self.level_db_nhl)
        if self.level_db_ppe_spl is not None and self.route == "bone":
            raise ValueError(f"level_db_ppe_spl = {self.level_db_ppe_spl:g} with route = \"bone\": a force is no sound pressure")
        if self.masking == "none" and (self.masking_level_db_em is not None or self.masking_transducer is not None):
            raise ValueError("masking_level_db_em and masking_transducer belong to noise: add masking, or leave them out")
        return self

    @property
    def spec(self) -> StimulusSpec:
        return StimulusSpec(
            self.stimulus, duration_us=self.duration_us, frequency_hz=self.frequency_hz, cycles=self.cycles,
            envelope=self.envelope, chirp_span_ms=self.chirp_span_ms,
        )  # fmt: skip

    @property
    def level(self) -> tuple[float, str] | None:
        """The level and its unit; None where it is not stated."""
        return stated_level(vars(self))

    @property
    def stimulus_name(self) -> str:
        return self.spec.name

    @property
    def words(self) -> str:
        """Description in words, such as "right ear, click, 40 dB nHL"."""
        level = "level not stated" if self.level is None else f"{self.level[0]:g} {self.level[1]}"
        bone = " by bone" if self.route == "bone" else ""
        masked = "" if self.masking == "none" else f", {'left' if self.ear == 'right' else 'right'} ear masked"
        return f"{self.ear} ear{bone}, {self.spec.name}, {level}{', MUTED' if self.muted else ''}{masked}"

    def latency_ms(self, window_ms: tuple[float, float]) -> tuple[float, float]:
        """Latency search window of wave V in ms, from the stated values."""
        return wave_v_bracket_ms(
            self.stimulus, self.level_db_nhl, self.age_group, window_ms,
            frequency_hz=self.frequency_hz, span_ms=self.chirp_span_ms,
        )  # fmt: skip

    def record(self) -> dict[str, Any]:
        """``stimulus`` of run.json with all keys of a played stimulus; null for values that are not stated."""
        said = self.spec.record()
        own = {name: getattr(self, name, None) for name in said if name != "kind"}
        masking = None
        if self.masking != "none":
            masking = {
                "noise": self.masking, "ear": "left" if self.ear == "right" else "right", "level_db_em": self.masking_level_db_em,
                "transducer": self.masking_transducer,
            }  # fmt: skip
            masking |= dict.fromkeys(("band_hz", "level_db_fs", "rms", "calibration"))
        return {
            "stimulus": self.spec.name, **said, **own, "stated": True, "ear": self.ear, "route": self.route,
            "transducer": self.transducer, "age_group": self.age_group, "level_db_nhl": self.level_db_nhl,
            "level_db_ppe_spl": self.level_db_ppe_spl, "muted": self.muted, "masking": masking, **dict.fromkeys(UNSTATED),
        }  # fmt: skip
