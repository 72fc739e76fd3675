"""Impedance is shown where the stream carries it, and never otherwise."""

from __future__ import annotations

import numpy as np
import pytest

from quietfloor.monitor.core.samples import Chunk
from quietfloor.monitor.plan.run_plan import Plan
from quietfloor.monitor.readiness.impedance import AT_SET_UP, NOW, Impedances, kohm_per
from quietfloor.monitor.readiness.model import Readiness
from quietfloor.monitor.sources.base import description_from_xml
from quietfloor.monitor.sources.channels import Channels
from tests.readiness.streams import findings, listened, made

HEAD = "<info><name>Amp</name><type>EEG</type><channel_count>{}</channel_count><nominal_srate>8000</nominal_srate>"
HEAD += "<channel_format>float32</channel_format><source_id>amp</source_id><desc><channels>{}</channels></desc></info>"


def channel(label: str, unit: str = "uV", kind: str = "EEG", impedance: str = "") -> str:
    more = f"<impedance>{impedance}</impedance>" if impedance else ""
    return f"<channel><label>{label}</label><type>{kind}</type><unit>{unit}</unit>{more}</channel>"


def xml(*channels: str) -> str:
    return HEAD.format(len(channels), "".join(channels))


def test_a_stream_without_any_shows_none() -> None:
    assert "impedance" not in {about for about, _ in findings(listened(made()))}
    assert np.isnan(Impedances(description_from_xml(xml(channel("Cz"), channel("TRIG")))).of(0)[0])


@pytest.mark.parametrize(("stated", "severity"), [("3.2", "ok"), ("12", "look")])
def test_meta_data(stated: str, severity: str) -> None:
    text = xml(channel("E1", impedance=stated), channel("TRIG"))
    finding = findings(listened(made(), xml=text))["impedance", "E1"]
    assert (finding.severity, finding.value, finding.unit) == (severity, float(stated), "kOhm")
    assert AT_SET_UP in finding.said


@pytest.mark.parametrize("nonsense", ["0", "-1", "unknown", "nan"])
def test_what_is_no_impedance_is_not_shown(nonsense: str) -> None:
    text = xml(channel("E1", impedance=nonsense), channel("TRIG"))
    assert ("impedance", "E1") not in findings(listened(made(), xml=text))


def test_a_channel_of_its_own_is_read_all_the_time() -> None:
    description = description_from_xml(
        xml(channel("Cz"), channel("Cz-M1"), channel("TRIG"), channel("Cz impedance", "Ohm", "Impedance", ""))
    )
    seen = Readiness(description, Channels((0, 1), 2), Plan())
    stream = made(channels=3)
    samples = np.vstack([stream.samples[:2], stream.samples[3], np.full(stream.samples.shape[1], 7400.0)])
    seen.feed(Chunk(samples, stream.stamps_s))
    found = findings(seen)
    assert found["impedance", "Cz"].value == pytest.approx(7.4)
    assert NOW in found["impedance", "Cz"].said
    assert ("impedance", "Cz-M1") not in found


def test_the_longest_label_that_fits_owns_an_impedance() -> None:
    description = description_from_xml(
        xml(channel("Cz"), channel("Cz-M1"), channel("TRIG"), channel("Z of Cz-M1", "kOhm", "Impedance"))
    )
    carried = Impedances(description)
    carried.feed(np.array([[0.0], [0.0], [0.0], [4.0]]))
    assert np.isnan(carried.of(0)[0])
    assert carried.of(1) == (4.0, NOW)


@pytest.mark.parametrize(
    ("unit", "kohm"), [("Ohm", 1e-3), ("kOhm", 1.0), ("k Ω", 1.0), ("Ω", 1e-3), ("mOhm", np.nan), ("uV", np.nan)]
)
def test_units_of_resistance(unit: str, kohm: float) -> None:
    assert kohm_per(unit) == pytest.approx(kohm, nan_ok=True)
