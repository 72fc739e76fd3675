"""The code of cells: its distances counted; and read back from triggers as converters see them, clean, noisy and jittered."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pytest
from scipy.special import comb

from quietfloor.monitor.core.onsets import OnsetFinder
from quietfloor.monitor.core.triggers import TriggerSettings
from quietfloor.stimuli.cell_code import (
    BREAK_MARK_MS,
    DAMAGED,
    FOREIGN,
    MOST_CELLS,
    MOST_UNREAD,
    NARROW_MS,
    NARROWEST_MS,
    RUNS,
    WIDE_MS,
    CellCode,
    CellCodeError,
    _run_bits,
)

UNITS = 1_000_000
OWN = TriggerSettings(unit_mark_ms=0.75, break_mark_ms=BREAK_MARK_MS, device_break_mark_ms=1.75)
CODE = CellCode(key=7, cells=MOST_CELLS)


def unit_with(key: int, bits: int) -> int:
    return next(unit for unit in range(1000) if _run_bits(key, unit) == bits)


def words(bits: int) -> np.ndarray:
    """Of all cells, (128, 15)."""
    unit = unit_with(CODE.key, bits)
    return np.array([CODE.wide(unit, cell)[1:] for cell in range(MOST_CELLS)])


def ideal_ms(wide: object) -> np.ndarray:
    return np.where(wide, 1.0, 0.5)


def test_words_of_a_unit_differ_in_five_bits_and_those_of_two_runs_in_three() -> None:
    """Counted over all pairs: the minimum distances of BCH (15, 7) and Hamming (15, 11) are 5 and 3 (textbook)."""
    every = np.array([words(bits) for bits in range(RUNS)])
    for own in every:
        apart = (own[:, None] != own[None]).sum(-1)
        assert apart[~np.eye(MOST_CELLS, dtype=bool)].min() == 5
    flat = every.reshape(-1, 15)
    assert len(np.unique(flat, axis=0)) == RUNS * MOST_CELLS
    assert np.sort((flat ^ flat[0]).sum(1))[1] == 3  # the code is linear: from one word it looks as from any other


def test_every_cell_is_read_back_with_up_to_two_triggers_missing() -> None:
    rng = np.random.default_rng(1)
    for cell in range(MOST_CELLS):
        unit = int(rng.integers(0, 5000))
        widths = ideal_ms(CODE.wide(unit, cell))
        assert CODE.read(unit, widths) == cell
        widths[rng.choice(16, 2, replace=False)] = rng.choice([np.nan, np.inf, 1.5, 2.0, 0.75, 0.1], 2)
        assert CODE.read(unit, widths) == cell
        widths[[1, 5, 9]] = np.nan
        assert CODE.read(unit, widths) == DAMAGED


def test_one_or_two_turned_bits_are_never_another_cell() -> None:
    for cell in (0, 1, 77, 127):
        for a in range(1, 16):
            for b in range(a, 16):
                wide = np.array(CODE.wide(3, cell))
                wide[[a, b]] = ~wide[[a, b]]
                assert CODE.read(3, ideal_ms(wide)) < 0


def test_a_unit_without_its_mark_is_damaged() -> None:
    widths = ideal_ms(CODE.wide(3, 5))
    widths[0] = 0.5
    assert CODE.read(3, widths) == DAMAGED


def test_another_run_other_units_and_a_larger_table_are_foreign() -> None:
    units = np.arange(4000)
    for code, shift in ((CellCode(8, MOST_CELLS), 0), (CODE, 1), (CODE, 17)):
        sent = ideal_ms([code.wide(int(unit) + shift, int(unit) % MOST_CELLS) for unit in units])
        read = CODE.read_all(units, sent)
        assert set(np.unique(read[read < 0])) == {FOREIGN}
        # four bits: one unit in 16 looks like an own one; limits of a binomial of 4000, six SDs
        assert abs((read >= 0).mean() - 1 / 16) < 6 * np.sqrt(15 / 256 / 4000)
    small = CellCode(CODE.key, 20)
    assert small.read(3, ideal_ms(CODE.wide(3, 19))) == 19
    assert small.read(3, ideal_ms(CODE.wide(3, 20))) == FOREIGN


@pytest.mark.parametrize("cells", [0, MOST_CELLS + 1])
def test_a_table_that_does_not_fit_is_refused_with_what_is_allowed(cells: int) -> None:
    with pytest.raises(CellCodeError, match="allowed are 1 to 128"):
        CellCode(1, cells)
    with pytest.raises(CellCodeError, match="cells are 0 to 19"):
        CellCode(1, 20).wide(0, 20)


def trigger_line(rng, wide, rate_hz: float, analogue: bool, noise: float, jitter_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Bipolar pulses (n,) as a converter sees them, height 1, 47.1 a second at any phase, each edge moved by the jitter.

    Analogue: low-pass with linear phase at 0.4 times the rate. Digital: samples of 0 and 1 and -1. Noise is white.
    """
    fine, half = 64, 16
    at = (0.5 + np.arange(len(wide)) / 47.1 + rng.uniform(0, 0.002, len(wide))) * rate_hz
    lobe = np.where(wide, 1e-3, 0.5e-3) * rate_hz
    n = int(at[-1] + 0.5 * rate_hz)
    line = np.zeros(n)
    edges = at[:, None] + lobe[:, None] * np.array([0, 1, 2]) + jitter_s * rate_hz * rng.standard_normal((len(wide), 3))
    if analogue:
        t = np.arange(-half * fine, half * fine + 1) / fine
        kernel = np.sinc(0.8 * t) * np.kaiser(len(t), 6.0)
        rise = np.cumsum(kernel) / kernel.sum()
        for column, by in zip(edges.T, (1.0, -2.0, 1.0), strict=True):
            where = np.floor(column).astype(int)[:, None] + np.arange(-half, half + 1)
            np.add.at(line, where, by * np.interp(where - column[:, None], t, rise))
            steps = np.zeros(n)
            np.add.at(steps, where[:, -1] + 1, by)
            line += np.cumsum(steps)
    else:
        steps = np.zeros(n)
        for column, by in zip(np.ceil(edges).astype(int).T, (1.0, -2.0, 1.0), strict=True):
            np.add.at(steps, column, by)
        line = np.cumsum(steps)
    return at, line + noise * rng.standard_normal(n)


def measured_ms(at: np.ndarray, line: np.ndarray, rate_hz: float) -> np.ndarray:
    """Widths as the finder measures them, of the trigger nearest to each place; nan where there is none."""
    finder = OnsetFinder(rate_hz, OWN)
    cuts = [*range(0, len(line), 200_000), len(line)]
    found = [onset for a, b in pairwise(cuts) for onset in finder.feed(line[a:b])] + finder.cut_off()
    assert finder.model is not None
    positions = np.array([onset.position for onset in found])
    right = np.clip(np.searchsorted(positions, at), 1, len(positions) - 1)
    nearest = np.where(at - positions[right - 1] < positions[right] - at, right - 1, right)
    widths = np.array([onset.width for onset in found])[nearest] * 1e3 / rate_hz
    widths[np.abs(positions[nearest] - at) > 1e-3 * rate_hz] = np.nan
    return widths


def wrong_at_most(turned: Sequence[float], unread: Sequence[float]) -> float:
    """Chance that a unit is given to another cell, at most, where bits are independent: the sum over all other cells, of the
    worst cell and run. ``turned``, ``unread``: of the narrow triggers (bit 0), of the wide ones."""
    worst = 0.0
    for bits in range(RUNS):
        own = words(bits)
        down = (own[:, None] & ~own[None]).sum(-1)  # bits that must become 0
        up = (~own[:, None] & own[None]).sum(-1)
        chance = np.zeros(down.shape)
        for i in range(MOST_UNREAD + 1):
            for j in range(MOST_UNREAD + 1 - i):
                down_i, up_j = np.maximum(down - i, 0), np.maximum(up - j, 0)
                chance += comb(down, i) * unread[1] ** i * turned[1] ** down_i * comb(up, j) * unread[0] ** j * turned[0] ** up_j
        np.fill_diagonal(chance, 0.0)
        worst = max(worst, float(chance.sum(1).max()))
    return worst


@pytest.mark.long
@pytest.mark.parametrize("analogue", [False, True], ids=["digital", "analogue"])
@pytest.mark.parametrize(
    ("rate_hz", "noise", "jitter_s", "most_damaged"),
    [
        (4000.0, 0.0, 0.0, 0.0), (4000.0, 0.05, 20e-6, 0.04), (4000.0, 0.125, 10e-6, 0.12), (16000.0, 0.125, 20e-6, 0.12),
        (48000.0, 0.125, 50e-6, 0.12),
    ],
)  # fmt: skip
def test_no_unit_of_a_million_is_given_to_another_cell(
    rate_hz: float, noise: float, jitter_s: float, most_damaged: float, analogue: bool
) -> None:
    """Widths of 6,000 triggers, measured in noise of up to 1/8 of their height (SD), are drawn again for a million units; damaged
    ones are left out, and counted."""
    rng = np.random.default_rng(round(rate_hz) + analogue)
    wide = rng.random(6000) < 0.5
    widths = measured_ms(*trigger_line(rng, wide, rate_hz, analogue, noise, jitter_s), rate_hz)
    pools = [widths[~wide], widths[wide]]
    table = np.array([[CODE.wide(unit, cell) for cell in range(MOST_CELLS)] for unit in range(64)])
    damaged = wrong = 0
    for first in range(0, UNITS, 50_000):
        units = np.arange(first, first + 50_000)
        cells = rng.integers(0, MOST_CELLS, len(units))
        bits = table[units % 64, cells]
        sent = np.where(bits, rng.choice(pools[1], bits.shape), rng.choice(pools[0], bits.shape))
        read = CODE.read_all(units % 64, sent)
        damaged += int((read < 0).sum())
        wrong += int(((read >= 0) & (read != cells)).sum())
    zero = [(pool >= NARROWEST_MS) & (pool <= NARROW_MS) for pool in pools]
    one = [(pool >= WIDE_MS) & (pool < BREAK_MARK_MS) for pool in pools]
    turned = [max(float(x.mean()), 3 / len(x)) for x in (one[0], zero[1])]  # none of n: at most 3 / n (95 %)
    unread = [max(1.0 - float((zero[k] | one[k]).mean()), 0.0) for k in range(2)]
    design = wrong_at_most(turned, unread)
    kind = f"{rate_hz:g} Hz {'analogue' if analogue else 'digital'}, noise {noise:g}, jitter {1e6 * jitter_s:g} us"
    bits = f"bits turned <= {max(turned):.2%}, unread {max(unread):.2%}"
    print(f"{kind}: {wrong} of {UNITS} wrong, {damaged / UNITS:.3%} damaged; {bits}; wrong by design <= {design:.1e}")
    assert design < 1e-6
    assert wrong == 0
    assert damaged / UNITS <= most_damaged
