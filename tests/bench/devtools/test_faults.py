"""Faults of a stream, injected: the same however the stream is cut, each named, and the table that counts them."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from quietfloor.bench.devtools import fuzz_binary
from quietfloor.bench.devtools.crash_tests import CrashTry
from quietfloor.bench.devtools.fault_runs import MAX_SWEEPS, RATE_HZ, RESPONSE_NV, FaultRun, Tally, fault_run, stream
from quietfloor.bench.devtools.faults import fault_row, kill_rows, main, summary
from quietfloor.bench.patient.stream_faults import STREAM_FAULTS, Injector


@pytest.mark.parametrize("name", STREAM_FAULTS)
def test_a_fault_is_the_same_however_the_stream_is_cut(name: str) -> None:
    samples, stamps_s = (part[..., : round(9 * RATE_HZ)] for part in stream(3, 0.0))
    rng = np.random.default_rng(5)
    made = []
    for sizes in ([len(stamps_s)], rng.integers(1, 400, 500)):
        injector = Injector(STREAM_FAULTS[name], RATE_HZ, 2.0, 1)
        edges = np.minimum(np.cumsum([0, *sizes]), len(stamps_s))
        pieces = [injector.apply(samples[:, a:b], stamps_s[a:b]) for a, b in pairwise(edges) if a < b]
        made.append([np.concatenate(part, axis=-1) for part in zip(*pieces, strict=True)])
    (one, stamped), (other, other_stamped) = made
    np.testing.assert_array_equal(one, other)
    np.testing.assert_array_equal(stamped, other_stamped)
    same = one.shape == samples.shape and np.array_equal(one, samples) and np.array_equal(stamped, stamps_s)
    assert same is (name == "none")


@pytest.mark.parametrize("name", STREAM_FAULTS)
def test_a_fault_is_named_and_a_response_is_found_all_the_same(name: str) -> None:
    fault, tally = STREAM_FAULTS[name], Tally(name)
    run = fault_run(name, 4, RESPONSE_NV)
    tally.add(run, True)
    assert tally.named == 1
    if fault.ends:
        assert run.stopped_by == "fault"
    elif name == "trigger-turned":
        assert (run.verdict, run.presented) == ("inconclusive", MAX_SWEEPS)  # no sweep is left
    else:
        assert run.verdict == "response_present"
    assert run.lost_said == run.lost_true or name in ("jump", "backward")


def test_lost_samples_are_counted_and_stamps_that_jump_look_like_them() -> None:
    gap, jump = fault_run("gap", 2), fault_run("jump", 2)
    assert gap.lost_true == gap.lost_said > 0
    assert (jump.lost_true, jump.lost_said % 1600) == (0, 0)


def test_a_row_counts_what_is_wrong() -> None:
    tally = Tally("nan")
    good = FaultRun("response_absent", "noise_floor", frozenset({"gap:not_finite"}), {"not_finite": 3}, 600)
    for _ in range(95):
        tally.add(good, False)
    for _ in range(5):
        tally.add(FaultRun("response_present", "response", good.named, good.rejected, 600), False)
    assert fault_row(tally)["survived"] is True
    tally.add(good, True)  # a response that is called absent
    row = fault_row(tally)
    assert (row["survived"], row["wrong_verdicts"]) == (False, 1)
    many = Tally("nan")
    for _ in range(20):
        many.add(FaultRun("response_present", "response", good.named, good.rejected, 600), False)
    assert fault_row(many)["wrong_verdicts"] == 20
    silent = Tally("nan")
    silent.add(FaultRun("response_absent", "noise_floor", frozenset(), {}, 600), False)
    assert fault_row(silent)["survived"] is False
    kills = kill_rows([CrashTry("time", 4000, 3000, True, ""), CrashTry("power", 4000, 4000, False, "the replay differs")])
    found = summary(kills, [row], {"inputs": 7, "crashes": 2})
    assert (found["inputs_fuzzed"], found["crashes"]) == (7, 2)
    assert (found["most_seconds_lost"], found["kills_wrong"], found["wrong_verdicts"]) == (0.25, 1, 1)


def test_the_program_prints_its_table(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    few = {target.name: target for target in fuzz_binary.TARGETS if target.name in ("xml", "xdf", "wav")}
    monkeypatch.setattr("quietfloor.bench.devtools.faults.all_targets", lambda: few)
    out = tmp_path / "faults.json"
    some = ["--kills", "5", "--runs", "3", "--responses", "1", "--only", "none,gap,crosstalk", "--jobs", "1", "--inputs", "20"]
    assert main([*some, "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert "BY NATURE NOT" in said
    assert "wrong verdicts: 0" in said
    assert "inputs fuzzed: 60\ncrashes: 0" in said
    result = json.loads(out.read_text())
    assert [row["fault"] for row in result["faults"]] == ["none", "gap", "crosstalk"]
    assert result["summary"]["kills_tried"] >= 5
    with pytest.raises(SystemExit):
        main(["--only", "nothing-like-it"])
