"""What a rule may look at: the figures of one look, for a batch of runs."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from .samples import Bools, Floats


@dataclass(frozen=True)
class Figures:
    """All (...,) for a batch of runs. Undefined, or not computed at this look, is nan; nan never decides."""

    sweeps_presented: Floats
    sweeps_accepted: Floats
    covered: Bools  # whether the window holds every expected latency; where it does not, silence proves nothing
    evidence_log10: Floats
    residual_noise_nv: Floats
    upper_limit_nv: Floats  # no response is larger, peak to trough: at every look together in 95 of 100 runs
    fsp: Floats
    multi_point_f: Floats
    multi_point_df1: Floats
    multi_point_df2: Floats
    multi_point_tail_df: Floats  # of the numerator, when its skewness is to be right as well
    hotelling_f: Floats
    hotelling_df1: Floats
    hotelling_df2: Floats
    half_correlation: Floats
    half_correlation_points: Floats  # independent points behind the correlation
    gap_nv: Floats  # mean |half A - half B| over the window
    peak_to_trough_nv: Floats  # of the average, peak before trough, largest in the window
    snr: Floats  # peak_to_trough_nv / gap_nv

    @classmethod
    def of(cls, batch: tuple[int, ...], covered: bool = False, **known: Floats) -> Figures:
        """Figures of which only some are known; the others are nan."""
        unknown = np.full(batch, np.nan)
        unknown.setflags(write=False)  # one array stands for all of them
        if strange := known.keys() - NAMES:
            raise TypeError(f"Figures has no {', '.join(sorted(strange))}: the names are {', '.join(NAMES)}")
        return cls(covered=np.full(batch, covered), **(dict.fromkeys(NAMES, unknown) | known))


NAMES = tuple(field.name for field in fields(Figures) if field.name != "covered")
