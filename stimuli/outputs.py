"""Outputs of sound cards, and whether a run can use them: three columns, one clock, no mixer or resampler in between."""

from __future__ import annotations

import importlib
import math
import os
import re
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from quietfloor.stimuli.devices import DeviceError
from quietfloor.stimuli.frames import BREAK_S, COLUMNS

RATE_HZ = 48_000.0
CHANNELS = (1, 2, 3)
ONE_EARPHONE = (1, 1, 2)  # one earphone that is moved between the ears, and the trigger on the jack of the other one
BLOCK, SHORTEST_BLOCK, LONGEST_BLOCK = 1024, 512, 8192  # frames; own choice: longer blocks do not break up on a busy machine
LEAST_BITS = 10.0  # own choice: below it a sound is a staircase of less than a thousand steps
JACK, ALSA, WASAPI, CORE_AUDIO = "JACK Audio Connection Kit", "ALSA", "Windows WASAPI", "Core Audio"
# Host interfaces that reach the converter without a mixer or resampler, best first, by the names that PortAudio gives them.
# WASAPI is opened in exclusive mode, Core Audio so that it fails rather than converts, ALSA is one of these for hw devices only.
DIRECT = ("ASIO", WASAPI, "Windows WDM-KS", CORE_AUDIO, JACK, ALSA)
ONE_EAR_HINT = f", or test one ear, with the trigger on the other output: channels = {list(ONE_EARPHONE)}"
_OF_ALSA_CARD = re.compile(r" \(hw:\d+,\d+\)$")


@dataclass(frozen=True)
class Output:
    """One output as PortAudio lists it. `rate_hz` is its default rate. `name` is without ALSA's number of the card, which changes
    when cards are plugged in in another order."""

    number: int
    listed_as: str
    host_interface: str
    channels: int
    rate_hz: float
    high_latency_s: float = 0.0
    pipewire: bool = False  # JACK's library is the one of PipeWire

    @property
    def name(self) -> str:
        return _OF_ALSA_CARD.sub("", self.listed_as)

    @property
    def shared(self) -> str:
        """Return why other programs or a resampler may change the sound; "" if the path to the converter is direct."""
        if self.host_interface == ALSA and not _OF_ALSA_CARD.search(self.listed_as):
            return f"{self.listed_as!r} is a device that ALSA makes in software (mixer, converter, or another sound server)"
        if self.host_interface == JACK and self.pipewire:
            return "JACK is played by PipeWire here, which resamples where rates differ"
        if self.host_interface not in DIRECT:
            return f"{self.host_interface} leads through a mixer that may resample and lets other programs sound"
        return ""

    def __str__(self) -> str:
        return f"{self.number}: {self.listed_as} ({self.host_interface}), {self.channels} outputs, {self.rate_hz:g} Hz"


@dataclass(frozen=True)
class Finding:
    """A judgement of one output. level: "ok", "warning" or "no"; with one "no" the output cannot be used."""

    level: Literal["ok", "warning", "no"]
    sentence: str


def load_sounddevice() -> Any:
    """The module sounddevice. Raises DeviceError that says what to install."""
    if sys.platform == "win32":
        os.environ.setdefault("SD_ENABLE_ASIO", "1")  # read once, when it is loaded: the PortAudio that knows ASIO
    try:
        return importlib.import_module("sounddevice")
    except Exception as error:  # ImportError, OSError without PortAudio, PortAudioError where it cannot start
        reason = (str(error).strip().splitlines() or [type(error).__name__])[0]
        raise DeviceError(
            f"no sound card can be used: {reason}. `quietfloor doctor` prints the line that installs what is missing (Debian: "
            '`sudo apt-get install -y libportaudio2`), or play over LSL with device = "lsl"'
        ) from error


def list_outputs() -> list[Output]:
    """Every output that PortAudio found when it was loaded; devices that were connected later are missing. Raises DeviceError."""
    sounddevice = load_sounddevice()
    interfaces = [found["name"] for found in sounddevice.query_hostapis()]
    pipewire = JACK in interfaces and _jack_is_pipewire()
    return [
        Output(
            number,
            found["name"],
            interfaces[found["hostapi"]],
            found["max_output_channels"],
            found["default_samplerate"],
            found["default_high_output_latency"],
            pipewire,
        )
        for number, found in enumerate(sounddevice.query_devices())
        if found["max_output_channels"] > 0
    ]


def suitability(
    output: Output, rate_hz: float = RATE_HZ, channels: Sequence[int] = CHANNELS, allow_shared: bool = False
) -> list[Finding]:
    """Judge whether a run can use this output; asks the device whether it accepts the rate."""
    findings = [_enough_channels(output, channels)]
    if output.shared and allow_shared:
        findings.append(Finding("warning", f"{output.shared}; it was allowed all the same (allow_shared)"))
    elif output.shared:
        way_out = "choose the card itself, or allow_shared = true if you have measured that it is clean"
        findings.append(Finding("no", f"{output.shared}: {way_out}"))
    # What ALSA lists is PortAudio's guess; the other mixers, and JACK, have one rate.
    own_clock = output.host_interface == JACK or bool(output.shared and output.host_interface != ALSA)
    if own_clock and not math.isclose(output.rate_hz, rate_hz, abs_tol=0.5):
        findings.append(
            Finding(
                "warning" if allow_shared and output.shared else "no",
                f"it runs at {output.rate_hz:g} Hz: sound at {rate_hz:g} Hz would be resampled or refused. Set the device to "
                f"{rate_hz:g} Hz, or sample_rate_hz = {output.rate_hz:g}",
            )
        )
    if all(finding.level != "no" for finding in findings):
        findings.append(_takes(output, rate_hz, channels))
    if output.host_interface == JACK:
        findings.append(Finding("warning", "JACK names every card alike: it is on you that a calibration is of this very card"))
    return findings


def usable(findings: Sequence[Finding]) -> bool:
    return all(finding.level != "no" for finding in findings)


def find_output(
    which: str | None, rate_hz: float = RATE_HZ, channels: Sequence[int] = CHANNELS, allow_shared: bool = False
) -> Output:
    """The output with this name or number; None: the only output that a run can use. Raises DeviceError that lists them.

    If several host interfaces have the name, the most direct usable one is taken. If two cards have it, an error is raised.
    """
    outputs = list_outputs()
    if not outputs:
        raise DeviceError("no sound card has an output: connect one, or play over LSL with device = \"lsl\"")
    if which is None:
        named = outputs
    elif which.isdigit():
        named = [output for output in outputs if output.number == int(which)]
    else:
        lower = which.lower()
        exact = [output for output in outputs if lower in (output.name.lower(), output.listed_as.lower())]
        named = exact or [output for output in outputs if lower in output.listed_as.lower()]
    if not named:
        raise DeviceError(f"no output is called {which!r}. There are {_listed(outputs)}")
    verdicts = {output.number: suitability(output, rate_hz, channels, allow_shared) for output in named}
    able = [output for output in named if usable(verdicts[output.number])]
    if not able:
        raise DeviceError("; ".join(_refusal(output, verdicts[output.number]) for output in named))
    best = min(_rank(output) for output in able)
    able = [output for output in able if _rank(output) == best]
    if len(able) > 1:
        what = "no output is named, and several" if which is None else f"several outputs called {which!r}"
        raise DeviceError(f"{what} could be used: name one by its number, output = {able[0].number}. There are {_listed(able)}")
    return able[0]


def bits_left(peak_to_peak: float, bits: int) -> float:
    """Number of bits that a sound of this peak-to-peak value uses, of a converter with `bits` for -1..+1; -inf for silence."""
    return math.log2(peak_to_peak * 2.0 ** (bits - 1)) if peak_to_peak > 0 else -math.inf


def check_block(block: int, rate_hz: float) -> None:
    """Raise DeviceError unless blocks are long enough to bridge a busy moment of the machine, and to contain the mark of a break.
    """
    shortest = max(SHORTEST_BLOCK, math.ceil(BREAK_S * rate_hz))
    if not shortest <= block <= LONGEST_BLOCK:
        raise DeviceError(f"block = {block} frames; allowed at {rate_hz:g} Hz is {shortest} to {LONGEST_BLOCK}")


def extra_settings(output: Output) -> Any:
    """Return the settings that make a host interface direct, or None where none are needed."""
    sounddevice = load_sounddevice()
    if output.host_interface == WASAPI:
        return sounddevice.WasapiSettings(exclusive=True)
    if output.host_interface == CORE_AUDIO:
        return sounddevice.CoreAudioSettings(change_device_parameters=True, fail_if_conversion_required=True)
    return None


def one_earphone(channels: Sequence[int]) -> bool:
    """Whether this routing has one earphone for both ears."""
    return channels[0] == channels[1]


def _enough_channels(output: Output, channels: Sequence[int]) -> Finding:
    if max(channels) <= output.channels and one_earphone(channels):
        trigger = "the other output" if output.channels == 2 else f"output {channels[2]}"
        return Finding(
            "warning",
            f"{output.channels} outputs: one ear, with the trigger on {trigger}: the earphone on output {channels[0]} is moved "
            f"between the ears, without masking noise; nothing that somebody can wear may be connected to output {channels[2]}. "
            f"In the plan: channels = {list(channels)}, trigger_on_earphone_jack = true",
        )
    if max(channels) <= output.channels:
        routed = ", ".join(f"{column} to {channel}" for channel, column in zip(channels, COLUMNS, strict=True))
        return Finding("ok", f"{output.channels} outputs: {routed}")
    return Finding(
        "no",
        f"it has {output.channels} outputs, but {', '.join(COLUMNS)} by channels = {list(channels)} need {max(channels)}. A "
        "second device for the trigger is no way out, as its clock would drift against the sound's: use one interface with 3 or "
        f"more outputs{ONE_EAR_HINT if output.channels == 2 else ''}",
    )


def _takes(output: Output, rate_hz: float, channels: Sequence[int]) -> Finding:
    sounddevice = load_sounddevice()
    try:
        sounddevice.check_output_settings(
            output.number, max(channels), "float32", extra_settings=extra_settings(output), samplerate=rate_hz
        )
    except Exception as error:  # PortAudioError, and ValueError of host interfaces that take no such settings
        asked = f"{max(channels)} channels at {rate_hz:g} Hz"
        return Finding("no", f"it does not take {asked} ({_first_line(error)}): is it in use elsewhere, or set to another rate?")
    return Finding("ok", f"takes {rate_hz:g} Hz")


def _rank(output: Output) -> int:
    if output.shared or output.host_interface not in DIRECT:
        return len(DIRECT)
    return DIRECT.index(output.host_interface)


def _refusal(output: Output, findings: Sequence[Finding]) -> str:
    return f"output {output} cannot be used: " + "; ".join(finding.sentence for finding in findings if finding.level == "no")


def _listed(outputs: Sequence[Output]) -> str:
    return "; ".join(map(str, outputs))


def _first_line(error: BaseException) -> str:
    lines = str(error).strip().splitlines()
    return lines[0] if lines else type(error).__name__


def _jack_is_pipewire() -> bool:
    """Whether the JACK library in this process is PipeWire's stand-in, by the file that it was loaded from (Linux only)."""
    if not sys.platform.startswith("linux"):
        return False
    try:
        maps = Path("/proc/self/maps").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return False
    return any("pipewire" in line.rpartition("/")[0] and "libjack" in line.rpartition("/")[2] for line in maps.splitlines())
