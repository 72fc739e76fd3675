"""Auditory brainstem responses on open hardware: ``quietfloor.monitor``, ``quietfloor.stimuli``, ``quietfloor.bench``.

``quietfloor.analyse`` judges sweeps that another program cut; see docs/library.md. It is loaded when it is first asked for.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from quietfloor.monitor.core.epochs import EpochAnalysis, Result, analyse

__all__ = ["EpochAnalysis", "Result", "analyse"]


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from quietfloor.monitor.core import epochs

    return getattr(epochs, name)
