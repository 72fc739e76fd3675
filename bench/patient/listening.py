"""Responses of both ears of a person to a sound from an earphone or a vibrator: samples in, the response in uV out. Pure.

A sound by air passes the middle ear of its own side; a sound by bone reaches the cochlea directly. Both also reach the other
cochlea by bone, attenuated by the head and without passing its middle ear; noise does the same. For each place the response is
that of the ear whose cochlea is excited further above its threshold. Sound that crosses adds only the excess over the own ear
(own choice: the published sizes to which the brainstem is fitted are from people with two hearing ears).

Limits: no occlusion of an ear by an earphone, no noise by a vibrator, bone conduction of infants as in adults except for the
attenuation between the ears.
"""

from __future__ import annotations

from collections import OrderedDict
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from quietfloor.bench.patient.brainstem import SILENCE, Response, brainstem_for, grown, together
from quietfloor.bench.patient.cochlea import PLACES_HZ, Excitation
from quietfloor.bench.patient.earphone import Earphone, Vibrator
from quietfloor.bench.patient.hearing import masked_db
from quietfloor.bench.patient.profiles import SIDES, Patient, Route, Side, other

Floats = NDArray[np.float64]
_KEPT = 64  # answers; a run has two sounds, the two polarities of which are one
_PARTS = 256  # in noise, which is never quite the same twice, places answer in so many steps: 0.08 dB each


class Heard(NamedTuple):
    """A response, and the parts (2, p) of the full response of each place in the ear of the sound's column and in the other
    one."""

    response: Response
    parts: Floats


class Listener:
    """A listener with two ears. `answer(side, samples)`: response to a sound in the column of that ear, counted from the arrival
    of its first sample at the ear."""

    def __init__(self, patient: Patient, earphone: Earphone, audio_rate_hz: float, vibrator: Vibrator | None = None) -> None:
        self._patient, self._earphone, self._vibrator = patient, earphone, vibrator
        zeros_db = earphone.burst_zero_db(PLACES_HZ)
        click_db = earphone.click_reference_db_ppe_spl
        self._cochlea, self._brainstem = brainstem_for(audio_rate_hz, tuple(float(db) for db in zeros_db), click_db)
        # by bone, the sound pressure that would be as loud
        self._as_air_db = None if vibrator is None else zeros_db + vibrator.full_scale_db_nhl(PLACES_HZ)
        self._conductive_db = {side: patient.ear(side).conductive_db(PLACES_HZ) for side in SIDES}
        self._cochlear_db = {side: patient.ear(side).cochlear_db(PLACES_HZ) for side in SIDES}
        self._excitations: OrderedDict[bytes, Excitation] = OrderedDict()
        self._answers: OrderedDict[tuple[bytes, ...], Response] = OrderedDict()

    def route(self, side: Side) -> Route:
        """Route of the sounds in that column."""
        return "bone" if self._vibrator is not None and self._vibrator.side == side else "air"

    def delay_s(self, side: Side) -> float:
        """Delay in s from the audio frame to the ear."""
        return 0.0 if self.route(side) == "bone" else self._earphone.tube_delay_s

    def answer(self, side: Side, samples: Floats, noise: Floats | None = None, other_noise: Floats | None = None) -> Response:
        """Response to `samples` (n,) in full-scale units. `noise`, `other_noise`: mean squares in thirds of an octave about the
        places, in the same column and in the other one."""
        return self.heard(side, samples, noise, other_noise).response

    def heard(self, side: Side, samples: Floats, noise: Floats | None = None, other_noise: Floats | None = None) -> Heard:
        """Response as in `answer`, and where it arises."""
        masking: dict[Side, Floats] = {}
        for ear, mean_squares in ((side, noise), (other(side), other_noise)):
            if mean_squares is not None and self.route(ear) == "air":
                masking[ear] = self._earphone.masking_db_em(mean_squares, PLACES_HZ, ear)
        return self._heard(side, samples, masking)

    def masked_answer(self, side: Side, samples: Floats, masking_db_em: dict[Side, Floats]) -> Response:
        """Response as in `answer`, with noise given as effective masking (p,) in each ear that has noise."""
        return self._heard(side, samples, masking_db_em).response

    def masked_parts(self, side: Side, samples: Floats, masking_db_em: dict[Side, Floats]) -> Floats:
        """Where that response arises, as in `Heard`."""
        return self._heard(side, samples, masking_db_em).parts

    def _heard(self, side: Side, samples: Floats, masking_db_em: dict[Side, Floats]) -> Heard:
        if not samples.any():
            return Heard(SILENCE, np.zeros((2, PLACES_HZ.size)))
        upright = samples * np.sign(samples[np.flatnonzero(samples)[0]])  # polarity changes nothing
        excitation = self._excitation(upright)
        own_db = self._brainstem.level_db_nhl(excitation, self._full_scale_db(side))
        crossing_db = own_db - self._patient.crossing_db(self.route(side))
        if self.route(side) == "air":
            own_db = own_db - self._conductive_db[side]
        own = self._grown(own_db, side, masking_db_em)
        crossed = np.maximum(self._grown(crossing_db, other(side), masking_db_em) - own, 0.0)
        heard = [self._answered(upright, excitation, own_db, own), self._answered(upright, excitation, crossing_db, crossed)]
        return Heard(together(*heard), np.array([own, crossed]))

    def _full_scale_db(self, side: Side) -> float | Floats:
        """Of its earphone; by bone (p,)."""
        if self._as_air_db is not None and self.route(side) == "bone":
            return self._as_air_db
        return self._earphone.full_scale_db(side)

    def _grown(self, level_db: Floats, side: Side, masking_db_em: dict[Side, Floats]) -> Floats:
        threshold_db = self._cochlear_db[side]
        if side in masking_db_em:
            threshold_db = masked_db(threshold_db, masking_db_em[side] - self._conductive_db[side])
        if other(side) in masking_db_em:
            threshold_db = masked_db(threshold_db, masking_db_em[other(side)] - self._patient.crossing_db("air"))
        part = grown(level_db, threshold_db)
        return np.round(part * _PARTS) / _PARTS if masking_db_em else part

    def _answered(self, samples: Floats, excitation: Excitation, level_db: Floats, part: Floats) -> Response:
        if not part.any():
            return SILENCE
        key = (samples.tobytes(), level_db.tobytes(), part.tobytes())
        if key not in self._answers:
            self._answers[key] = self._brainstem.grown_response(excitation, level_db, part, self._patient.age_months)
            if len(self._answers) > _KEPT:
                self._answers.popitem(last=False)
        self._answers.move_to_end(key)
        return self._answers[key]

    def _excitation(self, samples: Floats) -> Excitation:
        key = samples.tobytes()
        if key not in self._excitations:
            self._excitations[key] = self._cochlea.excitation(samples)
            if len(self._excitations) > _KEPT:
                self._excitations.popitem(last=False)
        self._excitations.move_to_end(key)
        return self._excitations[key]
