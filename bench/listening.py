"""What a person's two ears answer to a sound from the earphone: samples in, the response in uV out; pure."""

from __future__ import annotations

from collections import OrderedDict

import numpy as np
from numpy.typing import NDArray

from bench.brainstem import SILENCE, Response, brainstem_for
from bench.cochlea import PLACES_HZ
from bench.earphone import Earphone
from bench.hearing import masked_db
from bench.profiles import Patient, Side

Floats = NDArray[np.float64]
_KEPT = 64  # answers; a run has two sounds, the two polarities of which are one


class Listener:
    """`answer(side, samples)`: response to a sound in that ear, counted from when its first sample reaches the ear."""

    def __init__(self, patient: Patient, earphone: Earphone, audio_rate_hz: float) -> None:
        self._patient, self._earphone = patient, earphone
        zeros_db = tuple(float(db) for db in earphone.burst_zero_db(PLACES_HZ))
        self._cochlea, self._brainstem = brainstem_for(audio_rate_hz, zeros_db, earphone.click_reference_db_ppe_spl)
        self._answers: OrderedDict[tuple[Side, bytes, bytes], Response] = OrderedDict()

    def answer(self, side: Side, samples: Floats, noise: Floats | None = None) -> Response:
        """`samples` (n,) in full-scale units. `noise`: mean squares in thirds of an octave about the places, in the same ear."""
        if not samples.any():
            return SILENCE
        upright = samples * np.sign(samples[np.flatnonzero(samples)[0]])  # polarity changes nothing
        key = (side, upright.tobytes(), b"" if noise is None else noise.tobytes())
        if key not in self._answers:
            self._answers[key] = self._answered(side, upright, noise)
            if len(self._answers) > _KEPT:
                self._answers.popitem(last=False)
        self._answers.move_to_end(key)
        return self._answers[key]

    def _answered(self, side: Side, samples: Floats, noise: Floats | None) -> Response:
        """The sound stays in its own ear. One that crosses the head would be added here: the same excitation, less the head's
        attenuation, by bone, into the other cochlea with the other ear's noise."""
        ear = self._patient.ear(side)
        before_cochlea_db = ear.conductive_db(PLACES_HZ)
        excitation = self._cochlea.excitation(samples)
        level_db = self._brainstem.level_db_nhl(excitation, self._earphone.full_scale_db(side)) - before_cochlea_db
        threshold_db = ear.cochlear_db(PLACES_HZ)
        if noise is not None:
            masking_db_em = self._earphone.masking_db_em(noise, PLACES_HZ, side)
            threshold_db = masked_db(threshold_db, masking_db_em - before_cochlea_db)
        return self._brainstem.response(excitation, level_db, threshold_db, self._patient.age_months)
