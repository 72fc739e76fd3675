"""What is to be validated: rules x null sources x response sizes, cut into cells that can be worked on in any order."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

import quietfloor.bench.simulate
import quietfloor.monitor.core
from quietfloor.bench.simulate.muted_null import Loop, MutedRun, sweeps_of
from quietfloor.bench.simulate.noises import NOISES, Presentation
from quietfloor.bench.simulate.recordings import Loaded, Recording, load
from quietfloor.bench.simulate.responses import Response
from quietfloor.bench.simulate.simulate import Chain, Setup, chain
from quietfloor.monitor.core.identity import spelled

BATCH = 100  # runs of a cell; fixed, so that a report never depends on how the work was spread
RECORDING, MUTED = "recording", "muted"


@dataclass(frozen=True)
class Cell:
    """Runs ``first`` to ``first + count`` of one source with one size of response."""

    source: str
    size_nv: float
    first: int
    count: int


@dataclass(frozen=True)
class ValidationPlan:
    """Everything that shapes the result. ``sources``: names in NOISES, "recording", or "muted"; sizes in nV, 0 is no response.

    ``response_sources`` are those in which responses are simulated too. ``response`` gives their shape and latencies.
    ``limits``: the upper limit is worked out at every look.
    """

    rules: tuple[str, ...]
    sources: tuple[str, ...]
    sizes_nv: tuple[float, ...] = (0.0,)
    response_sources: tuple[str, ...] = ()
    runs: int = 1000
    response_runs: int = 1000
    seed: int = 1
    setup: Setup = field(default_factory=Setup)
    presentation: Presentation = field(default_factory=Presentation)
    response: Response = field(default_factory=Response)
    recording: Recording | None = None
    muted: MutedRun | None = None
    limits: bool = False

    def __post_init__(self) -> None:
        for name in (*self.sources, *self.response_sources):
            if name not in NOISES and {RECORDING: self.recording, MUTED: self.muted}.get(name) is None:
                raise ValueError(f"noise {name!r} is unknown: choose from {', '.join(NOISES)}")
        for name, value in (("runs", self.runs), ("response_runs", self.response_runs)):
            if value < 1:
                raise ValueError(f"{name} = {value}: at least 1 run is needed, 4000 for a rate near 1 %")
        for what, given in (("rules", self.rules), ("sources", self.sources), ("sizes_nv", self.sizes_nv)):
            if not given or len(set(given)) < len(given):
                raise ValueError(f"{what} = {given}: give at least one, each once")
        self.chains  # noqa: B018  raises for a rule that does not exist

    @cached_property
    def chains(self) -> tuple[Chain, ...]:
        return tuple(chain(name, self.setup) for name in self.rules)

    @property
    def loaded(self) -> Loaded:
        """The recording that the plan names, filtered as the setup says."""
        assert self.recording is not None
        return load(self.recording, self.setup.grid.band_hz)

    @property
    def loop(self) -> Loop:
        """The sweeps of the muted run that the plan names."""
        assert self.muted is not None
        return sweeps_of(self.muted)

    def cells(self) -> Iterator[Cell]:
        for source in dict.fromkeys((*self.sources, *self.response_sources)):
            for size in self.sizes_nv:
                if source not in (self.response_sources if size else self.sources):
                    continue
                runs = self.response_runs if size else self.runs
                for first in range(0, runs, BATCH):
                    yield Cell(source, size, first, min(BATCH, runs - first))

    @cached_property
    def identity(self) -> str:
        """Short hash over all that shapes a single run, the code included; not over how many runs, or of which cells.

        Results of two plans may be put together when it is the same.
        """
        kinds = [NOISES[name] for name in dict.fromkeys((*self.sources, *self.response_sources)) if name in NOISES]
        recorded = spelled((self.loaded.sha256, self.loaded.channel, self.recording.unit)) if self.recording else ""
        recorded += spelled((self.loop.sha256, self.muted.settings)) if self.muted else ""
        parts = [spelled(part) for part in (self.setup, self.presentation, self.response, self.seed)]
        parts += [f"{one.name}={one.identity}" for one in self.chains]
        parts += [repr(kind) for kind in kinds] + [recorded, str(self.limits), code_fingerprint()]
        return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:12]


def code_fingerprint() -> str:
    """Hash of the code that a run goes through: results from before and after a change must not be mixed."""
    core = sorted(Path(next(iter(quietfloor.monitor.core.__path__))).glob("*.py"))
    names = ("noises", "noise_parts", "responses", "simulate", "recordings", "muted_null")
    own = [Path(next(iter(quietfloor.bench.simulate.__path__))) / f"{name}.py" for name in names]
    digest = hashlib.sha256()
    for path in (*core, *own):
        digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()[:12]
