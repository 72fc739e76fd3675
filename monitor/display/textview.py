"""The live view in a terminal, for machines without a screen. Reads a Status now and then; knows nothing of the engine."""

from __future__ import annotations

import math
import time
from typing import TextIO

import numpy as np
from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from quietfloor.monitor.display import board
from quietfloor.monitor.plan.run_plan import Plan
from quietfloor.monitor.run import status_text
from quietfloor.monitor.run.run import Run
from quietfloor.monitor.run.status import Status
from quietfloor.monitor.search.now import SearchNow
from quietfloor.monitor.untrusted.safe_text import harmless

EVERY_S = 0.2
LINE_EVERY_S = 2.0
BLOCKS = "▁▂▃▄▅▆▇█"
BAR_CELLS = 24


def spark(values: np.ndarray, cells: int = 66) -> str:
    """A curve (n,) as block characters, ``cells`` wide; its own smallest value is the lowest block."""
    if not len(values) or not np.all(np.isfinite(values)) or not np.any(values):
        return ""
    at = np.linspace(0, len(values) - 1, cells).round().astype(int)
    picked = values[at]
    span = float(np.ptp(picked))
    if span == 0.0:
        return BLOCKS[0] * cells
    return "".join(BLOCKS[int(level)] for level in np.clip((picked - picked.min()) / span * 8, 0, 7))


def bar(fraction: float) -> str:
    """How far along, as text; empty for nan."""
    if not math.isfinite(fraction):
        return "·" * BAR_CELLS
    full = round(min(1.0, max(0.0, fraction)) * BAR_CELLS)
    return "█" * full + "·" * (BAR_CELLS - full)


def one_line(status: Status, floor_nv: float) -> str:
    """The state of a run in one line, for logs and pipes."""
    if status.search is not None:
        made = board.headline(status.search, status, "")
        return f"{status.seconds:6.1f} s  {made.word} · {made.rest} · {made.particulars}"
    look = status.look
    sweeps = status_text.count(look.sweeps_accepted, "sweep") if look is not None else "no sweep yet"
    lag = f"processing lag {status.behind_ms:.0f} ms"
    return (
        f"{status.seconds:6.1f} s  {status_text.headline(status, floor_nv)} · {sweeps}, {status_text.rejected(look)} · {lag}"
    )


def panel(status: Status, plan: Plan, title: str) -> Group:
    """The whole view as it stands."""
    if status.search is not None:
        return _searching(status.search, status, title)
    floor_nv = plan.decision.floor_nv
    look = status.look
    grid = Table.grid(padding=(0, 2))
    grid.add_column(style="bold")
    grid.add_column()
    grid.add_column()
    if look is not None:
        name = status_text.TITLES[look.rule]
        words = status_text.standing(look, 2).removeprefix(name).strip()
        if look.measure == "evidence" and math.isfinite(look.standing):
            words += " (log10)"
        grid.add_row(name, bar(look.standing / look.needed), words)
        noise = look.residual_noise_nv
        cause = ", from the spread between units" if look.noise_cause.startswith("between") else ""
        quiet = min(1.0, (floor_nv / noise) ** 2) if noise > 0 else math.nan
        level = (
            f"{status_text.apart(noise, floor_nv, 1)} nV of {floor_nv:g} nV{cause}" if math.isfinite(noise) else "not known yet"
        )
        grid.add_row("quiet enough", bar(quiet), level)
        presented = f"{look.sweeps_presented:,} of at most {plan.decision.max_sweeps:,}"
        grid.add_row(
            "sweeps", bar(look.sweeps_presented / plan.decision.max_sweeps), f"{presented}; {status_text.rejected(look)}"
        )
        grid.add_row("forecast", "", status_text.ahead(look) or "not known yet")
    grid.add_row("processing lag", "", f"{status.behind_ms:.0f} ms · {status.seconds:.1f} s of EEG · {status.state}")
    headline = Text(status_text.headline(status, floor_nv), style="bold")
    parts: list[Text | Table] = [headline, Text(harmless(title), style="dim"), grid]
    if status.average is not None:
        average = status.average.average_uv[0]
        times = status.average.times_ms
        inside = times >= 0
        curve = spark(average[inside])
        if curve:
            low, high = 1e3 * float(average[inside].min()), 1e3 * float(average[inside].max())
            parts += [Text(curve), Text(f"0 ms{times[-1]:>58.0f} ms   {low:+.0f} to {high:+.0f} nV", style="dim")]
    parts += [Text(harmless(f"! {notice}")) for notice in status.notices[-2:]]
    return Group(*parts)


def _searching(search: SearchNow, status: Status, title: str) -> Group:
    """A search: its sentence, then a line for each condition."""
    made, grid = board.headline(search, status, ""), Table.grid(padding=(0, 2))
    grid.add_column(style="bold")
    grid.add_column()
    grid.add_column()
    for row in board.rows(search):
        grid.add_row(*map(harmless, row))
    sentence = Text(harmless(f"{made.word} · {made.rest}"), style="bold")
    parts: list[Text | Table] = [sentence, Text(harmless(title), style="dim"), grid]
    parts += [Text(f"{made.particulars} · {status.seconds:.1f} s of EEG · {status.state}", style="dim")]
    parts += [Text(harmless(f"! {notice}")) for notice in status.notices[-2:]]
    return Group(*parts)


def watch(run: Run, plan: Plan, title: str, out: TextIO) -> None:
    """Show the run until it is over. Ctrl-C asks it to stop."""
    console = Console(file=out, markup=False, emoji=False)  # what others wrote is no markup
    try:
        if console.is_terminal:
            with Live(panel(run.status, plan, title), console=console, refresh_per_second=5, transient=False) as live:
                while not run.wait(EVERY_S):
                    live.update(panel(run.status, plan, title))
                live.update(panel(run.status, plan, title))
        else:
            _lines(run, plan, title, out)
    except KeyboardInterrupt:
        run.stop()
        run.wait(30.0)


def _lines(run: Run, plan: Plan, title: str, out: TextIO) -> None:
    out.write(harmless(title) + "\n")
    said_s = -math.inf
    while not run.wait(EVERY_S):
        if run.verdict is None and time.monotonic() - said_s >= LINE_EVERY_S:
            said_s = time.monotonic()
            out.write(one_line(run.status, plan.decision.floor_nv) + "\n")
            out.flush()
    out.write(one_line(run.status, plan.decision.floor_nv) + "\n")
    out.flush()
