"""Auditory brainstem responses on open hardware: ``quietfloor.monitor``, ``quietfloor.stimuli``, ``quietfloor.bench``.

``quietfloor.analyse`` judges sweeps that another program cut, ``quietfloor.deconvolve`` separates responses that overlap; see
docs/library.md. Both are loaded when they are first asked for.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from quietfloor.monitor.core.deconvolution import Deconvolved, deconvolve
    from quietfloor.monitor.core.epochs import EpochAnalysis, Result, analyse

__all__ = ["Deconvolved", "EpochAnalysis", "Result", "analyse", "deconvolve"]


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    module = "deconvolution" if name in ("Deconvolved", "deconvolve") else "epochs"
    return getattr(import_module(f"quietfloor.monitor.core.{module}"), name)
