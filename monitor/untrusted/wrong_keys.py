"""What is wrong with a key of a file, in words: the one place where reports of the checking library become messages."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import Any


def message_of(problem: Any) -> str:
    """What is wrong, without what the library puts before it."""
    return str(problem["msg"]).removeprefix("Value error, ").removeprefix("Input ").replace(", input ", ", ")


def unknown_key(key: str, known: Iterable[str]) -> str:
    """``key``: with its table; its last part is compared with what is known there."""
    names = list(known)
    near = difflib.get_close_matches(key.rpartition(".")[2].rpartition(" ")[2], names, n=1)
    return f"unknown key {key}: {f'did you mean {near[0]}? ' if near else ''}allowed here are {', '.join(names)}"


def wrong_value(key: str, problem: Any, fields: Any = None) -> str:
    """``fields``: those of the table of the key, by name, whose description is added; None for none."""
    message = message_of(problem)
    meaning = getattr((fields or {}).get(key.rpartition(".")[2].rpartition(" ")[2]), "description", None)
    return f"{key} = {problem['input']!r}{f' ({meaning})' if meaning else ''}: {message[0].lower()}{message[1:]}"


def wrong_key(problem: Any) -> str:
    """For a file that a program writes or that has few keys: the place of the key, and what is wrong with it."""
    key = ".".join(str(part) for part in problem["loc"])
    if problem["type"] == "missing":
        return f"{key} is missing"
    if problem["type"] in ("extra_forbidden", "unexpected_keyword_argument"):
        return f"unknown key {key}"
    if isinstance(problem["input"], dict):  # a table as a whole is wrong
        return f"{key}: {message_of(problem)}" if key else message_of(problem)
    return wrong_value(key, problem)
