"""Messages for wrong keys of files, from what the checking library reports."""

from __future__ import annotations

from typing import Literal

import pytest
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from quietfloor.monitor.untrusted.wrong_keys import message_of, unknown_key, wrong_key, wrong_value


class Table(BaseModel):
    model_config = ConfigDict(extra="forbid")
    rate_hz: float = Field(ge=1, description="samples a second")
    ear: Literal["left", "right"] = "left"

    @field_validator("rate_hz")
    @classmethod
    def whole(cls, value: float) -> float:
        if value % 1:
            raise ValueError("give a whole number")
        return value


def problem(**keys: object) -> object:
    with pytest.raises(ValidationError) as caught:
        Table.model_validate(keys)
    return caught.value.errors()[0]


def test_words_for_each_kind() -> None:
    assert wrong_key(problem()) == "rate_hz is missing"
    assert wrong_key(problem(rate_hz=0)) == "rate_hz = 0: should be greater than or equal to 1"
    assert wrong_key(problem(rate_hz=1, ear="both")) == "ear = 'both': should be 'left' or 'right'"
    assert wrong_key(problem(rate_hz=1, eer="left")) == "unknown key eer"
    assert wrong_key(problem(rate_hz=1.5)) == "rate_hz = 1.5: give a whole number"
    assert message_of(problem(rate_hz=1.5)) == "give a whole number"


def test_names_that_are_near_and_descriptions() -> None:
    assert unknown_key("sound.rate_hx", Table.model_fields) == (
        "unknown key sound.rate_hx: did you mean rate_hz? allowed here are rate_hz, ear"
    )
    assert unknown_key("condition 1, xyz", ["ear"]) == "unknown key condition 1, xyz: allowed here are ear"
    said = wrong_value("sound.rate_hz", problem(rate_hz=0), Table.model_fields)
    assert said == "sound.rate_hz = 0 (samples a second): should be greater than or equal to 1"
