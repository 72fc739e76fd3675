"""From samples to levels at the ear."""

from dataclasses import replace

import numpy as np
import pytest

from quietfloor.bench.patient.earphone import VIRTUAL_EARPHONE, Earphone, virtual_earphone
from quietfloor.stimuli.calibration import LevelError
from quietfloor.stimuli.calibration_file import load_calibration


def test_click_of_full_scale() -> None:
    assert virtual_earphone().level_db_nhl(1.0, "left") == pytest.approx(130.0 - 35.5)
    assert virtual_earphone().level_db_nhl(0.0, "left") == -np.inf


def test_bursts_between_and_beyond_the_references() -> None:
    # ISO 389-6, insert, occluded-ear simulator: 23.5, 21.5, 28.5, 32.5 dB at 0.5, 1, 2, 4 kHz (from memory).
    found = virtual_earphone().burst_zero_db([250.0, 500.0, np.sqrt(0.5) * 1e3, 1000.0, 4000.0, 8000.0])
    np.testing.assert_allclose(found, [23.5, 23.5, 22.5, 21.5, 32.5, 32.5])


def test_effective_masking_is_the_pure_tone_zero_and_what_iso_389_4_adds() -> None:
    # 1 kHz: 5.5 dB (ISO 389-2, secondary) and 6 dB (ISO 389-4, from memory). A sine of peak-to-peak 1 has the mean square 1/8.
    quiet = 10 ** ((5.5 + 6.0 - 130.0) / 10) / 8
    earphone = virtual_earphone()
    assert earphone.masking_db_em(np.array(quiet), 1000.0, "right") == pytest.approx(0.0)
    assert earphone.masking_db_em(np.array(1e4 * quiet), 1000.0, "right") == pytest.approx(40.0)
    assert earphone.masking_db_em(np.array(0.0), 1000.0, "right") == -np.inf


def test_what_has_no_references_is_named() -> None:
    circumaural = replace(load_calibration(VIRTUAL_EARPHONE), transducer="circumaural", coupler="artificial-ear")
    with pytest.raises(LevelError, match="no reference level of tone bursts on circumaural / artificial-ear"):
        Earphone.from_calibration(circumaural)


def test_impossible_tube_is_refused() -> None:
    with pytest.raises(ValueError, match=r"tube_delay_s = 0\.5 is outside"):
        virtual_earphone(0.5)
