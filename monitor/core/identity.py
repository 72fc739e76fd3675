"""A short name for a set of parameters that is the same on every machine and changes when any of them does."""

from __future__ import annotations

import hashlib
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np


def spelled(value: Any) -> str:
    """The value in text: dataclasses by the fields that are compared, floats with all digits, functions by their full name."""
    if is_dataclass(value) and not isinstance(value, type):
        names = (field.name for field in fields(value) if field.init and field.compare)
        inside = ", ".join(f"{name}={spelled(getattr(value, name))}" for name in names)
        return f"{type(value).__name__}({inside})"
    if isinstance(value, (tuple, list)):
        return f"({', '.join(spelled(item) for item in value)})"
    if isinstance(value, np.generic):
        return spelled(value.item())
    if isinstance(value, (bool, int, str, type(None))):
        return repr(value)
    if isinstance(value, float):
        return repr(value + 0.0)  # -0.0 is 0.0
    if callable(value) and is_dataclass(owner := getattr(value, "__self__", None)):
        return f"{spelled(owner)}.{value.__name__}"
    if callable(value):
        return f"{value.__module__}.{value.__qualname__}"
    raise TypeError(f"{value!r} has no place in an identity: use numbers, text, tuples and frozen dataclasses")


def identity(value: Any) -> str:
    """Twelve hexadecimal digits of the SHA-256 of the spelled value."""
    return hashlib.sha256(spelled(value).encode()).hexdigest()[:12]
