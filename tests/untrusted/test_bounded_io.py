"""What is read of others has an end: size, depth, digits, and no waiting for a pipe."""

import json
import os
import tomllib
from pathlib import Path

import pytest

from quietfloor.monitor.untrusted.bounded_io import (
    MOST_DEPTH,
    bytes_of,
    json_from,
    json_of,
    lines_of,
    open_file,
    text_of,
    toml_from,
    toml_of,
    why,
)


def test_usual_files_are_read_as_by_the_standard_library(tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.write_bytes('a = 1\r\nb = "ä"\r\n'.encode())
    assert text_of(path) == path.read_text(encoding="utf-8")
    assert toml_of(path) == tomllib.loads(path.read_text(encoding="utf-8"))
    assert "".join(lines_of(path)) == path.read_bytes().decode()
    path.write_text('{"a": [1, -2.5, null, true, "x"], "b": {"c": []}}')
    assert json_of(path) == json.loads(path.read_text())


def test_a_file_larger_than_it_may_be_is_not_taken_into_memory(tmp_path: Path) -> None:
    path = tmp_path / "large"
    with path.open("wb") as file:
        file.truncate(10**12)  # a hole: it takes no room
    with pytest.raises(OSError, match="larger than the 4 MB"):
        text_of(path)
    with pytest.raises(OSError, match="a line of it is longer than 1 MB"):
        next(lines_of(path))
    path.write_bytes(b"12345")
    assert bytes_of(path, 5) == b"12345"
    with pytest.raises(OSError, match="larger than"):
        bytes_of(path, 4)


@pytest.mark.parametrize("kind", ["pipe", "device", "folder", "loop of links", "nothing"])
def test_what_is_no_file_makes_nobody_wait(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "file"
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "device":
        path.symlink_to("/dev/zero")
    elif kind == "folder":
        path.mkdir()
    elif kind == "loop of links":
        path.symlink_to(path)
    for read in (text_of, toml_of, json_of, lambda path: list(lines_of(path)), open_file):
        with pytest.raises(OSError):  # noqa: PT011 - which one depends on the system
            read(path)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("a = " + "[" * 40 + "]" * 40, "nested more than"),
        ("a = " + "[" * 40_000 + "]" * 40_000, "nested more than"),
        ("a = " + "[[]," * 40 + "]" * 40, "nested more than"),
        (f"a = {2**63}", "64 bits"),
        ("a = " + "9" * 5000, "digits"),
        ("a = [", "Invalid"),
        ("a = 1\na = 2", "overwrite"),
    ],
)
def test_text_that_is_too_much_is_no_toml(text: str, reason: str) -> None:
    with pytest.raises(tomllib.TOMLDecodeError, match=reason):
        toml_from(text)


def test_an_error_shows_its_line() -> None:
    with pytest.raises(tomllib.TOMLDecodeError, match=r"line 2, column 1[56]\): 'level_db_nhl = loud'$"):
        toml_from("[sound]\nlevel_db_nhl = loud\n")


def test_a_reason_has_no_number_of_the_system(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="Errno 2") as caught:
        toml_of(tmp_path / "absent.toml")
    assert why(caught.value) == "No such file or directory"
    assert why(ValueError("7 is odd")) == "7 is odd"


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("[" * 40 + "]" * 40, "nested more than"),
        ("[" * 400_000, "nested more than"),
        ('{"a":' * 40 + "1" + "}" * 40, "nested more than"),
        (str(2**63), "64 bits"),
        ("9" * 5000, "digits"),
        ("", "Expecting value"),
        ('{"a": ["x\\ud800"]}', "half a character"),
    ],
)
def test_text_that_is_too_much_is_no_json(text: str, reason: str) -> None:
    with pytest.raises(json.JSONDecodeError, match=reason):
        json_from(text)


def test_what_is_just_within_is_read() -> None:
    assert toml_from(f"a = {2**63 - 1}\nb = {-(2**63)}")["b"] == -(2**63)
    assert json_from(f"[{2**63 - 1}]") == [2**63 - 1]
    assert json_from('"\\ud83d\\ude00"') == "\N{GRINNING FACE}"
    deep = "[" * MOST_DEPTH + "]" * MOST_DEPTH
    assert json.dumps(json_from(deep)) == deep
    assert json_from("[" + ",".join("[]" for _ in range(1000)) + "]")[999] == []
