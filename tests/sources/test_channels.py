"""Channel names, units and suitability: what people type and what senders write."""

from __future__ import annotations

import dataclasses
import math
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietfloor.monitor.sources.base import (
    ChannelError,
    StreamDescription,
    description_from_xml,
    description_to_xml,
    marker_description,
)
from quietfloor.monitor.sources.channels import resolve_channels, suitability, timing_loss, unit_to_uv, uv_per_unit


def described(labels: tuple[str, ...] = ("Cz-M2", "Cz-M1", "trigger"), **changes: object) -> StreamDescription:
    units = ("microvolts",) * len(labels)
    whole = StreamDescription("amp", "EEG", "sn1", "host", "uid", 12.5, len(labels), 16000.0, "float32", labels, units)
    return dataclasses.replace(whole, **changes)


@pytest.mark.parametrize(
    ("eeg", "trigger", "expected"),
    [
        (["Cz-M2"], "trigger", ((0,), 2)),
        (["Cz-M2", "2"], "TRIGGER", ((0, 1), 2)),
        ([" cz-m1 "], "3", ((1,), 2)),
        (["1"], "3", ((0,), 2)),
        (["0", "1"], "2", ((0, 1), 2)),
        (["2"], "0", ((2,), 0)),
    ],
)
def test_names_and_numbers_find_channels(eeg: list[str], trigger: str, expected: tuple[tuple[int, ...], int]) -> None:
    assert resolve_channels(described(), eeg, trigger) == expected


def test_an_exact_label_comes_before_another_case_and_a_label_before_a_number() -> None:
    assert resolve_channels(described(("cz", "Cz", "3", "trigger")), ["Cz"], "3") == ((1,), 2)
    assert resolve_channels(described(("0", "x", "trigger")), ["0"], "3") == ((0,), 2)


@pytest.mark.parametrize(
    ("labels", "eeg", "trigger", "text"),
    [
        (("Cz", "trigger"), ["Pz"], "trigger", "no channel 'Pz' .*1 'Cz', 2 'trigger'"),
        (("Cz", "trigger"), ["3"], "trigger", "number 3 is outside 1 to 2"),
        (("Cz", "trigger"), ["0"], "2", "number 2 is outside 0 to 1"),
        (("Cz", "trigger"), ["Cz"], "1", "also named as EEG"),
        (("Cz", "trigger"), ["Cz", "1"], "2", "one channel twice"),
        (("Cz", "Cz", "trigger"), ["Cz"], "trigger", "fits channels 1 'Cz', 2 'Cz'"),
        (("cz", "CZ", "trigger"), ["Cz"], "trigger", "fits channels 1 'cz', 2 'CZ'"),
        (("Cz", "trigger"), ["-1"], "trigger", "no channel '-1'"),
        (("Cz", "trigger"), ["²"], "trigger", "no channel '²'"),
        (("", ""), [""], "2", "empty"),
        (("Cz", "trigger"), [], "2", "no EEG channel named"),
    ],
)
def test_what_cannot_be_resolved_is_explained(labels: tuple[str, ...], eeg: list[str], trigger: str, text: str) -> None:
    with pytest.raises(ChannelError, match=text):
        resolve_channels(described(labels), eeg, trigger)


@given(st.lists(st.text("Ccz12 0", max_size=2), min_size=1, max_size=4), st.text("Ccz12 0", max_size=2))
def test_the_trigger_is_never_an_eeg_channel(eeg: list[str], trigger: str) -> None:
    description = described(("Cz", "cz", "1", "zz"))
    try:
        chosen, trigger_index = resolve_channels(description, eeg, trigger)
    except ChannelError:
        return
    assert trigger_index not in chosen
    assert len(set(chosen)) == len(eeg)
    assert all(0 <= index < 4 for index in (*chosen, trigger_index))


@pytest.mark.parametrize(
    ("factor", "spellings"),
    [
        (1.0, "uV|µV|μV|UV|uv|microvolt|microvolts|Microvolts|micro-volts|micro volt|microV|uVolts|muV|ÂµV| uV |-6|uV."),
        (1e3, "mV|mv|millivolt|MilliVolts|-3"),
        (1e6, "V|v|volt|Volts|VOLTS"),
        (1e-3, "nV|nanovolts|-9"),
        (math.nan, "|MV|counts|uV/bit|none|0|g|mW|a.u.|microvolts squared|kV|serial number|uuV|%"),
    ],
)
def test_unit_spellings(factor: float, spellings: str) -> None:
    for spelling in spellings.split("|"):
        np.testing.assert_equal(unit_to_uv(spelling), factor, err_msg=spelling)


def test_the_factor_is_only_known_when_all_eeg_channels_share_it() -> None:
    mixed = described(units=("uV", "microvolts", "V"))
    assert uv_per_unit(mixed, [0, 1]) == 1.0
    assert math.isnan(uv_per_unit(mixed, [0, 2]))
    assert math.isnan(uv_per_unit(described(units=("", "", "")), [0]))


def worst(description: StreamDescription) -> str:
    levels = [finding.level for finding in suitability(description)]
    return next(level for level in ("no", "warning", "ok") if level in levels)


@pytest.mark.parametrize(
    ("changes", "level", "text"),
    [
        ({}, "ok", "microvolts"),
        ({"rate_hz": 4000.0}, "warning", "10 %"),
        ({"rate_hz": 2000.0}, "no", "too slow.* 36 %"),
        ({"rate_hz": 0.0}, "no", "no regular"),
        ({"rate_hz": 100.0}, "no", "would cost all of the amplitude"),
        ({"rate_hz": 700.0}, "no", "would cost all of the amplitude"),
        ({"type": "Audio", "labels": ("left", "right", "trigger")}, "no", "sound of a run"),
        ({"type": "Audio"}, "ok", "microvolts"),
        ({"channel_format": "string"}, "no", "text"),
        ({"source_id": ""}, "warning", "source id"),
        ({"units": ("", "", "")}, "warning", "does not state its unit"),
        ({"units": ("counts", "counts", "")}, "warning", "counts, which is no voltage"),
        ({"labels": ("", "", "")}, "warning", "by number"),
        ({"labels": ("Cz",), "units": ("uV",), "channel_count": 1}, "no", "one channel"),
    ],
)
def test_suitability_names_the_reason(changes: dict[str, object], level: str, text: str) -> None:
    description = described(**changes)
    assert worst(description) == level
    sentences = " ".join(finding.sentence for finding in suitability(description) if finding.level == level)
    assert re.search(text, sentences)


def test_timing_loss_is_the_published_table() -> None:
    # 1 - sinc(f / rate) at 1 kHz: 36 % at 2 kHz, 10 % at 4 kHz, 2.5 % at 8 kHz, 0.6 % at 16 kHz
    np.testing.assert_allclose([timing_loss(rate) for rate in (2e3, 4e3, 8e3, 16e3)], [0.363, 0.0997, 0.0255, 0.0064], atol=5e-4)


def test_descriptions_survive_xml() -> None:
    whole = described(("Cz <&> \"µ\"", "", "trigger"), name="a 'quoted' & <odd> näme")
    again = description_from_xml(description_to_xml(whole))
    assert dataclasses.replace(again, xml="") == whole
    assert description_to_xml(again) == again.xml
    assert "\x00" not in description_to_xml(described(("a\x00b",)))
    assert dataclasses.replace(description_from_xml(description_to_xml(marker_description())), xml="").channel_format == "string"
    with pytest.raises(ValueError, match="is not XML"):
        description_from_xml("<info>")
    with pytest.raises(ValueError, match="channel_count"):
        description_from_xml("<info><channel_count>x</channel_count></info>")


def test_a_description_with_too_many_or_few_channel_entries_has_one_label_a_channel() -> None:
    for entries in (0, 1, 5):
        inner = "<channel><label>a</label></channel>" * entries
        xml = f"<info><channel_count>3</channel_count><desc><channels>{inner}</channels></desc></info>"
        assert description_from_xml(xml).labels == (("a",) * entries + ("",) * 3)[:3]
        assert description_from_xml(xml).label(2) == ("a" if entries == 5 else "3")
