"""The statistics of one look that a stopping rule may use, for a batch of runs."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from .samples import Bools, Floats


@dataclass(frozen=True)
class LookStatistics:
    """The statistics of one look, each (...,) over a batch of runs. A value that is undefined or not computed is nan."""

    sweeps_presented: Floats
    sweeps_accepted: Floats
    covered: Bools  # whether the window contains every expected latency; otherwise no absence is stated
    evidence_log10: Floats
    residual_noise_nv: Floats
    upper_limit_nv: Floats  # largest possible response, peak to trough: true at all looks in 95 of 100 runs
    fsp: Floats
    multi_point_f: Floats
    multi_point_df1: Floats
    multi_point_df2: Floats
    multi_point_tail_df: Floats  # of the numerator, matching its skewness as well
    hotelling_f: Floats
    hotelling_df1: Floats
    hotelling_df2: Floats
    half_correlation: Floats
    half_correlation_points: Floats  # independent points behind the correlation
    gap_nv: Floats  # mean |odd - even half| over the window
    peak_to_trough_nv: Floats  # of the average, peak before trough, largest in the window
    snr: Floats  # peak_to_trough_nv / gap_nv

    @classmethod
    def of(cls, batch: tuple[int, ...], covered: bool = False, **known: Floats) -> LookStatistics:
        """Statistics with only the given values known; the others are nan. Raises TypeError for a name that does not exist."""
        unknown = np.full(batch, np.nan)
        unknown.setflags(write=False)  # one array stands for all of them
        if strange := known.keys() - NAMES:
            raise TypeError(f"LookStatistics has no {', '.join(sorted(strange))}: the names are {', '.join(NAMES)}")
        return cls(covered=np.full(batch, covered), **(dict.fromkeys(NAMES, unknown) | known))


NAMES = tuple(field.name for field in fields(LookStatistics) if field.name != "covered")
