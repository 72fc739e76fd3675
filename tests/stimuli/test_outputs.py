"""Which outputs can do the job: cards of every host interface, as PortAudio would list them. Real ones: `test_portaudio`."""

from __future__ import annotations

import math
import sys
from types import SimpleNamespace
from typing import Any

import pytest

from quietfloor.stimuli import outputs
from quietfloor.stimuli.devices import DeviceError
from quietfloor.stimuli.outputs import Output, bits_left, check_block, find_output, list_outputs, suitability, usable

HOSTS = ("MME", "Windows DirectSound", "Windows WASAPI", "ASIO", "ALSA", "JACK Audio Connection Kit", "Core Audio", "PulseAudio")


class Listing:
    """A sounddevice that lists the given (name, host, channels, rate) and takes every rate but 44.1 kHz."""

    def __init__(self, *devices: tuple[str, str, int, float]) -> None:
        self._devices = devices
        self.WasapiSettings = self.CoreAudioSettings = lambda **settings: SimpleNamespace(**settings)
        self.asked: list[tuple[int, int, Any]] = []

    def query_hostapis(self) -> list[dict[str, Any]]:
        return [{"name": host} for host in HOSTS]

    def query_devices(self) -> list[dict[str, Any]]:
        return [
            {
                "name": name,
                "hostapi": HOSTS.index(host),
                "max_output_channels": channels,
                "default_samplerate": rate_hz,
                "default_high_output_latency": 0.1,
            }
            for name, host, channels, rate_hz in self._devices
        ]

    def check_output_settings(self, number: int, channels: int, dtype: str, extra_settings: Any, samplerate: float) -> None:
        self.asked.append((number, channels, extra_settings))
        if samplerate == 44_100.0:
            raise ValueError("Invalid sample rate\nmore")


@pytest.fixture
def cards(monkeypatch: pytest.MonkeyPatch) -> Any:
    def lists(*devices: tuple[str, str, int, float]) -> Listing:
        listing = Listing(*devices)
        monkeypatch.setattr(outputs, "load_sounddevice", lambda: listing)
        return listing

    return lists


USB = ("USB Interface: Audio (hw:1,0)", "ALSA", 4, 44_100.0)


def refused(output: Output, **wanted: Any) -> list[str]:
    return [finding.sentence for finding in suitability(output, **wanted) if finding.level == "no"]


def test_a_card_by_a_direct_path_can_do_it_whatever_it_runs_at_when_nobody_asks(cards: Any) -> None:
    windows = (("Studio", "ASIO", 8, 96_000.0), ("Speakers", "Windows WASAPI", 6, 44_100.0))
    listing = cards(USB, *windows, ("Out", "Core Audio", 4, 44_100.0))
    found = list_outputs()
    for output in found:
        assert usable(suitability(output)), output
    assert found[0].name == "USB Interface: Audio"  # the number of the card changes from day to day
    settings = [settings for _, _, settings in listing.asked]
    assert settings[0] is None
    assert settings[2].exclusive
    assert settings[3].fail_if_conversion_required


@pytest.mark.parametrize(
    ("device", "reason"),
    [
        (("pulse", "ALSA", 32, 48_000.0), "ALSA makes in software"),
        (("default", "ALSA", 64, 48_000.0), "ALSA makes in software"),
        (("pipewire", "ALSA", 64, 48_000.0), "ALSA makes in software"),
        (("dmix", "ALSA", 4, 48_000.0), "ALSA makes in software"),
        (("sysdefault", "ALSA", 128, 48_000.0), "ALSA makes in software"),
        (("Speakers", "MME", 8, 48_000.0), "MME leads through a mixer"),
        (("Speakers", "Windows DirectSound", 8, 48_000.0), "DirectSound leads through a mixer"),
        (("Built-in", "PulseAudio", 6, 48_000.0), "PulseAudio leads through a mixer"),
    ],
)
def test_mixers_are_refused_unless_allowed_and_then_named(cards: Any, device: Any, reason: str) -> None:
    cards(device)
    (output,) = list_outputs()
    (said,) = refused(output)
    assert reason in said
    assert "allow_shared = true" in said
    allowed = suitability(output, allow_shared=True)
    assert usable(allowed)
    assert any(finding.level == "warning" and reason in finding.sentence for finding in allowed)


def test_a_resampler_is_refused(cards: Any) -> None:
    cards(("system", "JACK Audio Connection Kit", 4, 44_100.0), ("Speakers", "MME", 4, 44_100.0), USB)
    jack, mixer, usb = list_outputs()
    assert ["it runs at 44100 Hz: sound at 48000 Hz would be resampled or refused" in said for said in refused(jack)] == [True]
    assert refused(jack, allow_shared=True)  # JACK cannot resample at all
    assert any("would be resampled" in said for said in refused(mixer))
    assert usable(suitability(mixer, allow_shared=True))
    (said,) = refused(usb, rate_hz=44_100.0)
    assert "does not take 3 channels at 44100 Hz (Invalid sample rate)" in said


def test_stereo_is_refused_and_so_is_a_second_device(cards: Any) -> None:
    cards(("Laptop (hw:0,0)", "ALSA", 2, 48_000.0), USB)
    stereo, usb = list_outputs()
    (said,) = refused(stereo)
    assert "has 2 outputs" in said
    assert "its clock would drift" in said
    (said,) = refused(usb, channels=(1, 2, 5))
    assert "channels = [1, 2, 5] need 5" in said


def test_jack_played_by_pipewire_is_a_mixer() -> None:
    assert Output(0, "system", "JACK Audio Connection Kit", 4, 48_000.0).shared == ""
    assert "PipeWire" in Output(0, "system", "JACK Audio Connection Kit", 4, 48_000.0, pipewire=True).shared


def test_an_output_is_found_by_name_part_or_number_and_never_guessed(cards: Any) -> None:
    second = ("USB Interface: Audio 2 (hw:2,0)", "ALSA", 4, 48_000.0)
    cards(("Laptop (hw:0,0)", "ALSA", 2, 48_000.0), USB, second, ("microphone", "ALSA", 0, 48_000.0))
    assert find_output("usb interface: audio").number == 1  # exact, without the number of the card
    assert find_output("audio 2").number == 2
    assert find_output("2").number == 2
    with pytest.raises(DeviceError, match=r"several outputs called 'usb' could be used: name one by its number, output = 1"):
        find_output("usb")
    with pytest.raises(DeviceError, match="no output is named, and several could be used"):
        find_output(None)
    with pytest.raises(DeviceError, match=r"no output is called 'studio'. There are 0: Laptop"):
        find_output("studio")
    with pytest.raises(DeviceError, match="no output is called '3'"):
        find_output("3")
    with pytest.raises(DeviceError, match=r"output 0: Laptop .* cannot be used: it has 2 outputs"):
        find_output("laptop")


def test_of_one_name_the_most_direct_path_is_taken(cards: Any) -> None:
    names = ("MME", "Windows DirectSound", "Windows WASAPI")
    cards(*((f"Interface ({k})", host, 4, 48_000.0) for k, host in enumerate(names)), ("Interface", "ASIO", 4, 48_000.0))
    assert find_output("interface (").host_interface == "Windows WASAPI"
    assert find_output(None).host_interface == "ASIO"


def test_the_only_output_needs_no_name(cards: Any) -> None:
    cards(("Laptop (hw:0,0)", "ALSA", 2, 48_000.0), USB)
    assert find_output(None).number == 1
    cards()
    with pytest.raises(DeviceError, match="no sound card has an output"):
        find_output(None)


def test_without_portaudio_the_line_that_installs_it_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    with pytest.raises(DeviceError, match=r"`quietfloor doctor` prints the line.*apt-get install -y libportaudio2"):
        list_outputs()


def test_bits_that_a_level_leaves() -> None:
    assert bits_left(2.0, 24) == 24.0
    assert bits_left(1.0, 24) == 23.0
    assert bits_left(10 ** (-60 / 20), 16) == pytest.approx(15 - 60 / 6.0206, abs=1e-4)
    assert bits_left(0.0, 24) == -math.inf


@pytest.mark.parametrize(("rate_hz", "shortest"), [(44_100.0, 512), (48_000.0, 512), (96_000.0, 960), (192_000.0, 1920)])
def test_blocks_hold_the_mark_of_a_break(rate_hz: float, shortest: int) -> None:
    check_block(shortest, rate_hz)
    for wrong in (shortest - 1, 8193):
        with pytest.raises(DeviceError, match=f"allowed at {rate_hz:g} Hz is {shortest} to 8192"):
            check_block(wrong, rate_hz)
