"""The virtual earphone: from samples to the level at the ear, by the same calibration file that the player uses."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from bench.profiles import Side
from stimuli.calibration import Calibration, load_calibration
from stimuli.levels import reference_for
from stimuli.waveforms import click

VIRTUAL_EARPHONE = Path(__file__).with_name("virtual-earphone.toml")

# Sound tube of an insert earphone: latencies 0.8 to 1.0 ms longer than with an earphone on the ear (Van Campen et al. 1992;
# status: secondary). A tube of 278 mm takes 0.81 ms at 343 m/s (computed).
TUBE_DELAY_S = 0.9e-3


@dataclass(frozen=True)
class Earphone:
    """`full_scale_db_ppe_spl_*`: level of a sound whose peak-to-peak is 1.0; `click_reference_db_ppe_spl`: 0 dB nHL of a click;
    `tube_delay_s`: from the audio frame to the ear."""

    full_scale_db_ppe_spl_left: float
    full_scale_db_ppe_spl_right: float
    click_reference_db_ppe_spl: float
    tube_delay_s: float = TUBE_DELAY_S

    def __post_init__(self) -> None:
        if not 0.0 <= self.tube_delay_s <= 0.005:
            raise ValueError(f"tube_delay_s = {self.tube_delay_s} is outside 0..0.005 s (5 ms is a tube of 1.7 m)")

    @classmethod
    def from_calibration(cls, calibration: Calibration, tube_delay_s: float = TUBE_DELAY_S) -> Earphone:
        reference = reference_for(click(calibration.rate_hz), calibration)
        return cls(calibration.left_db_ppe_spl, calibration.right_db_ppe_spl, reference.level_db_ppe_spl, tube_delay_s)

    def level_db_nhl(self, peak_to_peak: float, side: Side) -> float:
        """Level of a click of this peak-to-peak (full-scale units); -inf for silence."""
        if not peak_to_peak > 0:
            return -math.inf
        full_scale = self.full_scale_db_ppe_spl_left if side == "left" else self.full_scale_db_ppe_spl_right
        return full_scale + 20.0 * math.log10(peak_to_peak) - self.click_reference_db_ppe_spl


def virtual_earphone(tube_delay_s: float = TUBE_DELAY_S) -> Earphone:
    """The one on the bench."""
    return Earphone.from_calibration(load_calibration(VIRTUAL_EARPHONE), tube_delay_s)
