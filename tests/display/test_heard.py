"""What heads a set-up: ear, route, stimulus and level of a plan, in words. No Qt."""

from __future__ import annotations

import pytest

from quietfloor.monitor.display.heard import Heard, heading_of
from quietfloor.monitor.plan.run_plan import Plan, make_plan
from tests.display.setup_flows import calibrated, masked, searching
from tests.readiness.streams import plan_of

OTHERS = {"title": "x", "stream": {"name": "Amp", "eeg": ["E1"], "trigger": "TRIG"}}
STATED = {"stimulus": "click", "ear": "left", "level_db_nhl": 40}


@pytest.mark.parametrize(
    ("plan", "said"),
    [
        (calibrated(), [("Right ear · by air · click · 60 dB nHL", "right", True)]),
        (plan_of(sound={"level_db_fs": -30}), [("Right ear · by air · click · −30 dB re full scale", "right", True)]),
        (
            plan_of(sound={"level_db_fs": -30, "ear": "left", "muted": True}),
            [("Left ear · by air · click · −30 dB re full scale, muted", "left", True)],
        ),
        (
            masked(),
            [
                ("Left ear · by bone · tone burst 500 Hz · 45 dB nHL", "left", True),
                ("Right ear · white noise · 40 dB EM", "right", False),
            ],
        ),
        (
            plan_of(
                sound={
                    "level_db_fs": -60, "stimulus": "tone-burst", "frequency_hz": 1000, "ipsilateral_noise": "notched",
                    "ipsilateral_noise_level_db_fs": -65,
                }
            ),
            [
                ("Right ear · by air · tone burst 1000 Hz · −60 dB re full scale", "right", True),
                ("Right ear · notched noise, none from 707 to 1414 Hz · −65 dB re full scale before the cut", "right", False),
            ],
        ),
        (
            searching(),
            [
                (f"{ear.capitalize()} ear · by air · octave chirp 500, 1000, 2000, 4000 Hz · 0 to 90 dB nHL", ear, False)
                for ear in ("right", "left")
            ],
        ),
        (searching(1), [("Right ear · by air · octave chirp 500 Hz · 0 to 90 dB nHL", "right", False)]),
        (make_plan(OTHERS), [("Sound of other equipment · ear and level are not stated", "", True)]),
        (make_plan(OTHERS | {"stated": STATED}), [("Left ear · by air · click · 40 dB nHL · as stated", "left", True)]),
        (
            make_plan(OTHERS | {"stated": {"stimulus": "click", "ear": "left", "route": "bone", "masking": "white"}}),
            [
                ("Left ear · by bone · click · level not stated · as stated", "left", True),
                ("Right ear · white noise", "right", False),
            ],
        ),
    ],
)
def test_a_plan_is_named_by_ear_route_stimulus_and_level(plan: Plan, said: list[tuple[str, str, bool]]) -> None:
    assert heading_of(plan) == tuple(Heard(*line) for line in said)


def test_levels_and_noise_of_a_search_are_those_of_all_its_conditions() -> None:
    conditions = [
        {"ear": "left", "stimulus": "click", "levels_db_nhl": [20, 40], "masking_db_em": [30]},
        {"ear": "left", "stimulus": "octave-chirp", "frequency_hz": 500, "levels_db_nhl": [-10, 60]},
        {"ear": "right", "stimulus": "click", "levels_db_nhl": [35]},
    ]
    plan = searching().model_dump(mode="json", exclude_none=True) | {"search": {"condition": conditions}}
    plan["sound"] |= {"masking": "white", "masking_level_db_em": 0}
    left, right = heading_of(make_plan(plan))
    assert left.words == (
        "Left ear · by air · click, octave chirp 500 Hz · −10 to 60 dB nHL · noise in the other ear up to 30 dB EM"
    )
    assert right.words == "Right ear · by air · click · 35 dB nHL"
