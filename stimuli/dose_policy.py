"""A dose policy: a sealed file by which a lab raises the sound dose of a day for some ages, on its own responsibility.

    name = "threshold search, infants"        what it is called in records
    approval = "vote 17/2026"                 licence, approval or vote on which it rests
    approved_by = "A. Person"
    reason = "..."                            why the usual limit of a day is not enough
    expires = 2027-06-30                      the last day on which it holds
    age_groups = ["infant"]                   whom it covers: adult, child, infant
    day_limit_times = 3.0                     1 to 5: so many times the limit of a day
    seal = "..."                              16 hexadecimal digits over everything else: `quietfloor dose --seal FILE`

It moves the dose limit of a day, never beyond the hard limit (`dose.HARD_TIMES`), and never the output ceiling.
"""

from __future__ import annotations

import datetime
import hashlib
import json
import re
import tomllib
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

from quietfloor.monitor.untrusted.bounded_io import text_of, toml_from
from quietfloor.stimuli.calibration import LevelError
from quietfloor.stimuli.ceiling import AGE_GROUPS
from quietfloor.stimuli.dose import HARD_TIMES

LONGEST_DAYS = 3 * 366  # own choice: an approval is looked at again
LONGEST_TEXT = 300


class DosePolicyError(LevelError):
    """Raised for a dose policy that cannot be used; nothing is played under it."""


@dataclass(frozen=True)
class DosePolicy:
    """Content of a policy file. Raises DosePolicyError that names the key."""

    name: str
    approval: str
    approved_by: str
    reason: str
    expires: datetime.date
    age_groups: tuple[str, ...]
    day_limit_times: float

    def __post_init__(self) -> None:
        for key in ("name", "approval", "approved_by", "reason"):
            text = getattr(self, key)
            good = isinstance(text, str) and text.strip() and text.isprintable() and len(text) <= LONGEST_TEXT
            self._require(good, key, f"text in one line, up to {LONGEST_TEXT} characters")
        day = isinstance(self.expires, datetime.date) and not isinstance(self.expires, datetime.datetime)
        self._require(day, "expires", "a date, such as 2027-06-30")
        known = bool(self.age_groups) and all(one in AGE_GROUPS for one in self.age_groups)
        known = known and len(set(self.age_groups)) == len(self.age_groups)
        self._require(known, "age_groups", f"some of {', '.join(AGE_GROUPS)}")
        times = self.day_limit_times
        number = isinstance(times, (int, float)) and not isinstance(times, bool) and 1.0 <= times <= HARD_TIMES
        self._require(number, "day_limit_times", f"1 to {HARD_TIMES:g}, the hard limit, which no file moves")

    def _require(self, fulfilled: object, key: str, allowed: str) -> None:
        if not fulfilled:
            raise DosePolicyError(f"dose policy: {key} = {getattr(self, key)!r}; allowed is {allowed}")

    @property
    def seal(self) -> str:
        """A short hash over all values; it finds damage and slips, not forgery."""
        content = asdict(self) | {"expires": self.expires.isoformat(), "day_limit_times": float(self.day_limit_times)}
        return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:16]

    @property
    def short(self) -> str:
        """For titles and ledgers."""
        return f"{self.name!r} ({self.day_limit_times:g} times the usual limit)"

    @property
    def words(self) -> str:
        """Who allows what, for people."""
        return (
            f"Dose policy {self.name!r}, {self.approval}, approved by {self.approved_by}, until {self.expires}: "
            f"{self.day_limit_times:g} times the usual sound dose of a day for {' and '.join(self.age_groups)}, because "
            f"{self.reason}"
        )

    def check(self, age_group: str, today: datetime.date) -> None:
        """Raise DosePolicyError unless it covers this age today."""
        if not today <= self.expires:
            raise DosePolicyError(
                f"dose policy {self.name!r} ended on {self.expires}, today is {today}: have it approved again, write the new "
                "date and `quietfloor dose --seal FILE`, or leave out sound.dose_policy"
            )
        if (self.expires - today).days > LONGEST_DAYS:
            raise DosePolicyError(
                f"dose policy {self.name!r} would hold until {self.expires}: allowed are {LONGEST_DAYS} days from today at most; "
                "write an earlier date and `quietfloor dose --seal FILE`"
            )
        if age_group not in self.age_groups:
            raise DosePolicyError(
                f"dose policy {self.name!r} covers {' and '.join(self.age_groups)}, the plan is for {age_group!r}: leave out "
                "sound.dose_policy, or have a policy approved that covers this age"
            )

    def record(self) -> dict[str, Any]:
        """For run.json."""
        return asdict(self) | {"expires": self.expires.isoformat(), "age_groups": list(self.age_groups), "seal": self.seal}


def load_dose_policy(path: Path) -> DosePolicy:
    """Read a sealed policy. Raises DosePolicyError that names file and key."""
    policy, seal = read_unsealed(path)
    if seal != policy.seal:
        state = "carries no seal" if seal is None else "was changed since it was sealed"
        raise DosePolicyError(
            f"{path} {state}: whoever approved it reads it and sets the seal, `quietfloor dose --seal {path}`, or bring back the "
            "sealed file"
        )
    return policy


def read_unsealed(path: Path) -> tuple[DosePolicy, str | None]:
    """The policy and the seal of a file, the seal not checked. Raises DosePolicyError."""
    try:
        found = toml_from(text_of(path))
    except OSError as error:
        said = error.strerror or error
        raise DosePolicyError(f"dose policy {path} cannot be read ({said}): give the path of a file") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, ValueError) as error:
        raise DosePolicyError(f"dose policy {path} is not TOML: {error}") from error
    seal = found.pop("seal", None)
    names = [field.name for field in fields(DosePolicy)]
    if wrong := sorted(set(found) ^ set(names)):
        told = "is missing" if wrong[0] in names else f"is no key; those are {', '.join(names)}"
        raise DosePolicyError(f"dose policy {path}: {wrong[0]} {told}")
    groups = found["age_groups"]
    try:
        policy = DosePolicy(**(found | {"age_groups": tuple(groups) if isinstance(groups, list) else (groups,)}))
    except (DosePolicyError, TypeError) as error:
        raise DosePolicyError(f"{path}: {error}") from error
    return policy, seal if isinstance(seal, str) else None


def seal_file(path: Path) -> DosePolicy:
    """Set the seal of a file, its other lines kept. Raises DosePolicyError."""
    policy, _ = read_unsealed(path)
    lines = [line for line in text_of(path).splitlines() if not re.match(r"\s*[\"']?seal[\"']?\s*=", line)]
    draft = path.with_name(path.name + ".new")
    try:
        draft.write_text("\n".join([*lines, f'seal = "{policy.seal}"']) + "\n", encoding="utf-8", newline="\n")
        draft.replace(path)
    except OSError as error:
        raise DosePolicyError(f"dose policy {path} cannot be written: {error.strerror or error}") from error
    return load_dose_policy(path)
