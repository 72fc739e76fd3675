"""Hand-made audio frames for the bench."""

from dataclasses import replace

import numpy as np
import pytest

from quietfloor.bench.patient.background import Background
from quietfloor.bench.patient.earphone import Earphone, virtual_earphone
from quietfloor.bench.patient.hearing import Ear
from quietfloor.bench.patient.profiles import Patient

AUDIO_HZ = 48_000


@pytest.fixture
def earphone() -> Earphone:
    return virtual_earphone()


@pytest.fixture
def silent_head() -> Patient:
    """Normal hearing and no background at all."""
    return Patient("Silent head", Ear(0.0), Ear(0.0), Background(0.0))


@pytest.fixture
def noisy_head(silent_head: Patient) -> Patient:
    return replace(silent_head, background=Background(2.0, 0.3, bursts_per_min=60.0, mains_uv=3.0, offset_uv=100.0))


def clicks(
    onsets: list[int] | np.ndarray, n: int, peak: float, ear: str = "right", trigger: float = 0.5, pulse: int = 96
) -> np.ndarray:
    """Frames (3, n): clicks of five samples at the onsets, alternating polarity, each with a one-sided trigger pulse."""
    frames = np.zeros((3, n), dtype=np.float32)
    for i, onset in enumerate(onsets):
        frames[{"left": 0, "right": 1}[ear], onset : onset + 5] = peak * (-1) ** i * np.array([1, 1, 1, 1, 0.8])
        frames[2, onset : onset + pulse] = trigger
    return frames


def peak_for(earphone: Earphone, level_db_nhl: float) -> float:
    """Height of a click with this level."""
    return 10 ** ((level_db_nhl + earphone.click_reference_db_ppe_spl - earphone.full_scale_db_ppe_spl_right) / 20)
