"""Averages by polarity, and a test for a signal that changes sign with the sound.

A response is nearly the same for condensation and rarefaction; an electrical artefact of the transducer in the leads changes
sign. The artefact cancels in the average of alternating sounds, but it should be reported where it extends into the response
window.

A coin decides for each unit which polarity comes first. Without an artefact the difference between the two polarities within a
unit is therefore as likely to be +x as -x, whatever the noise. We bet on that sign as for a response (see ``evidence``), in the
direction of all earlier differences: over all looks of a run an artefact is named by mistake with probability ``ALPHA`` at most.
"""

from __future__ import annotations

import numpy as np

from .averaging import Window
from .events import Event, StimulusArtefact
from .samples import Bools, Floats

ALPHA = 0.001
BETS = np.array([0.6, 0.3])  # own choice, as the evidence bets at units of 16 sweeps
PRIOR_UNITS = 8.0  # prior: this many scores of variance 1
DECIDING = 0


class Polarities:
    """Call ``update`` for every unit and ``look`` at every look. Shapes: channels, sweeps of a unit, points of a sweep."""

    def __init__(self, channels: int, times_ms: Floats, window: Window) -> None:
        self._times_ms, self._window = times_ms, window
        self._sum = np.zeros((2, channels, len(times_ms)))  # condensation, rarefaction
        self._weight = np.zeros((2, channels))
        self._differences = np.zeros(len(window.of(times_ms)))  # of the deciding channel, weighted
        self._squares, self._scores = PRIOR_UNITS, PRIOR_UNITS
        self._log_capital = np.zeros(len(BETS))
        self._told = False

    def update(self, sweeps_uv: Floats, accepted: Bools, weight: Floats, signs: Floats) -> None:
        """Add a unit: sweeps (channels, n_sweeps, n_times) in uV, which of them are accepted, unit weights (channels,) in 1/uV2,
        signs (n_sweeps,), 0 where the polarity is not known."""
        count = accepted.sum(axis=-1)
        per_sweep = np.divide(weight, count, out=np.zeros_like(weight), where=count > 0)
        for place, sign in enumerate((1, -1)):
            of_sign = accepted & (signs == sign)
            share = per_sweep * of_sign.sum(axis=-1)
            with np.errstate(over="ignore"):
                self._sum[place] += per_sweep[:, np.newaxis] * np.einsum("cs,cst->ct", of_sign.astype(np.float64), sweeps_uv)
            self._weight[place] += share
        self._bet(self._window.of(sweeps_uv[DECIDING]), accepted[DECIDING], signs)

    def _bet(self, sweeps_uv: Floats, accepted: Bools, signs: Floats) -> None:
        up, down = sweeps_uv[accepted & (signs > 0)], sweeps_uv[accepted & (signs < 0)]
        freedom = len(up) + len(down) - 2
        if not (len(up) and len(down) and freedom > 0):
            return
        difference = up.mean(axis=0) - down.mean(axis=0)
        about = ((up - up.mean(axis=0)) ** 2).sum() + ((down - down.mean(axis=0)) ** 2).sum()
        variance = float(about) / (freedom * difference.size) * (1 / len(up) + 1 / len(down))
        if not variance > 0:
            return
        size = float(np.sqrt((self._differences**2).sum()))
        if size > 0:
            score = float(self._differences @ difference) / (size * np.sqrt(variance))
            bet = BETS * score / np.sqrt(max(1.0, self._squares / self._scores))
            self._log_capital += np.log(2.0) - np.logaddexp(0.0, -2.0 * bet)  # log(1 + tanh)
            self._squares, self._scores = self._squares + score**2, self._scores + 1.0
        self._differences += difference / variance

    def averages_uv(self) -> Floats:
        """Averages (2, channels, n_times) of condensation and of rarefaction, uV; nan where there is none."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(self._sum / self._weight[..., np.newaxis])

    @property
    def evidence(self) -> float:
        """log10 of the capital."""
        return float((np.logaddexp.reduce(self._log_capital) - np.log(len(BETS))) / np.log(10.0))

    def look(self, known: int) -> list[Event]:
        """Return an event once, certain at sample ``known``, if a signal that changes sign with the sound extends into the
        response window."""
        if self._told or self.evidence < -np.log10(ALPHA):
            return []
        condensation, rarefaction = self.averages_uv()[:, DECIDING]
        half = 0.5 * (condensation - rarefaction)
        inside, times_ms = self._window.of(half), self._window.of(self._times_ms)
        at = int(np.abs(inside).argmax())
        if not np.abs(half[self._times_ms < times_ms[0]]).max(initial=0.0) > np.abs(inside[at]):
            return []  # the response of the ear itself may differ between the polarities
        self._told = True
        return [StimulusArtefact(known, float(inside[at]), float(times_ms[at]))]
