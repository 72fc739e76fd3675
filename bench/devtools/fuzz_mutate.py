"""Inputs made from valid ones: broken bytes, words of the format, numbers, text and nesting that nobody would write by hand."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

import numpy as np

MOST_BYTES = 5_000_000  # of an input: beyond the 4 MB that a text file may have
NUMBERS = (
    b"nan", b"inf", b"-inf", b"+nan", b"NaN", b"Infinity", b"-Infinity", b"-1", b"0", b"-0.0", b"1e308", b"1e309", b"-1e308",
    b"5e-324", b"1e-300", b"2147483648", b"4294967296", b"9223372036854775807", b"9223372036854775808", b"-9223372036854775809",
    b"1" + b"0" * 30, b"9" * 400, b"9" * 5000, b"0." + b"3" * 2000, b"1e999999999", b"0x7f", b"0b1", b"1_000", b"1979-05-27",
    b"1979-05-27T07:32:00Z", b"07:32:00", b"9999-12-31T23:59:59.999999+23:59", b"true", b"false", b"null", b"{}", b"[]", b'""',
    b"''", b'"nan"', b"0001-01-01T00:00:00",
)  # fmt: skip
TEXTS = (
    b"\x00", b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff", b"\xff", b"\xc0\x80", b"\xed\xa0\x80", b"\xf4\x90\x80\x80", b"\x80",
    b"\x1b[2J", b"\x1b]0;x\x07", b"\\u001b[31m", b"\\u0000", b"\\ud800", b"\\u202e", "\u202e".encode(), "\u2066".encode(),
    "\u2028".encode(), "\u200b".encode(), "\u00b5".encode(), "\U0001f442".encode(), "e\u0301".encode(), "\u0663".encode(),
    b"\r\n", b"\r", b"\n", b"\x85", b"\x7f", b"../../../../tmp/x", b"/dev/zero", b"/dev/stdin", b"/proc/self/mem", b"/", b".",
    b"..", b"CON", b"nul.toml", b"a" * 300, b"~/x", b"C:\\\\x", b"\\\\\\\\host\\\\x", b"%s%n", b"{0.__class__}", b"${HOME}",
    b"<script>", b"&amp;", b"'; --", b"__proto__", b"#", b'"""',
)  # fmt: skip
REPEATED = (b"a", b"9", b" ", b"\n", b"#", b"\\", b'"', b"\xc3\xa4", b"a=1\n", b"[a]\n", b"[[a]]\n", b'{"a":1}\n', b"1,")
ENCODINGS = ("utf-16", "utf-16-le", "utf-32", "latin-1", "cp1252", "utf-7", "utf-8-sig", "cp037")
_NUMBER = re.compile(rb"-?\d[\d_.eE+-]*")
_VALUE = re.compile(rb"[=:] *([^\n,}\]]+)")

Change = Callable[[bytes, np.random.Generator, Sequence[bytes], Sequence[bytes]], bytes]


def mutated(seeds: Sequence[bytes], rng: np.random.Generator, dictionary: Sequence[bytes] = ()) -> bytes:
    """One to eight changes to one of the seeds; a few inputs are a seed as it is, or bytes of chance alone."""
    data = seeds[int(rng.integers(len(seeds)))]
    chance = rng.random()
    if chance < 0.005:
        return data
    if chance < 0.015:
        return rng.bytes(int(rng.integers(0, 300)))
    for _ in range(1 + int(rng.geometric(0.5)) if chance < 0.7 else 1):
        data = CHANGES[int(rng.integers(len(CHANGES)))](data, rng, seeds, dictionary)[:MOST_BYTES]
    return data


def _place(data: bytes, rng: np.random.Generator) -> int:
    return int(rng.integers(0, len(data) + 1))


def _run(data: bytes, rng: np.random.Generator) -> tuple[int, int]:
    start = _place(data, rng)
    return start, min(len(data), start + int(2 ** rng.uniform(0, 10)))


def _pick(words: Sequence[bytes], rng: np.random.Generator) -> bytes:
    return words[int(rng.integers(len(words)))]


def _into(data: bytes, rng: np.random.Generator, piece: bytes) -> bytes:
    at = _place(data, rng)
    return data[:at] + piece + data[at:]


def _bits(data: bytes, rng: np.random.Generator, *_: object) -> bytes:
    if not data:
        return data
    changed = bytearray(data)
    for at in rng.integers(0, len(data), size=int(rng.integers(1, 9))):
        changed[at] ^= 1 << int(rng.integers(8))
    return bytes(changed)


def _deleted(data: bytes, rng: np.random.Generator, *_: object) -> bytes:
    start, stop = _run(data, rng)
    return data[:start] + data[stop:]


def _cut(data: bytes, rng: np.random.Generator, *_: object) -> bytes:
    return data[: _place(data, rng)]


def _doubled(data: bytes, rng: np.random.Generator, *_: object) -> bytes:
    start, stop = _run(data, rng)
    times = int(rng.choice([1, 1, 1, 2, 10, 1000]))
    return data[:stop] + data[start:stop] * times + data[stop:]


def _inserted(data: bytes, rng: np.random.Generator, *_: object) -> bytes:
    return _into(data, rng, rng.bytes(int(rng.integers(1, 17))))


def _spliced(data: bytes, rng: np.random.Generator, seeds: Sequence[bytes], _: Sequence[bytes]) -> bytes:
    other = _pick(seeds, rng)
    return data[: _place(data, rng)] + other[_place(other, rng) :]


def _lines_spliced(data: bytes, rng: np.random.Generator, seeds: Sequence[bytes], _: Sequence[bytes]) -> bytes:
    """Lines of one among those of another, some twice, some away: mostly well formed, rarely meant."""
    lines, others = data.split(b"\n"), _pick(seeds, rng).split(b"\n")
    for _again in range(int(rng.integers(1, 5))):
        at = int(rng.integers(0, len(lines) + 1))
        if rng.random() < 0.4 and len(lines) > 1:
            del lines[min(at, len(lines) - 1)]
        else:
            lines.insert(at, _pick(others if rng.random() < 0.6 else lines, rng))
    return b"\n".join(lines)


def _word(data: bytes, rng: np.random.Generator, _: Sequence[bytes], dictionary: Sequence[bytes]) -> bytes:
    return _into(data, rng, _pick(dictionary or TEXTS, rng))


def _text(data: bytes, rng: np.random.Generator, *_: object) -> bytes:
    return _into(data, rng, _pick(TEXTS, rng))


def _number(data: bytes, rng: np.random.Generator, *_: object) -> bytes:
    """Another number in the place of one."""
    return _replaced(data, rng, _NUMBER, 0, _pick(NUMBERS, rng))


def _value(data: bytes, rng: np.random.Generator, _: Sequence[bytes], dictionary: Sequence[bytes]) -> bytes:
    """A value of another kind behind a key."""
    words = (NUMBERS, tuple(b'"' + text + b'"' for text in TEXTS), tuple(b'"' + word + b'"' for word in dictionary) or NUMBERS)
    return _replaced(data, rng, _VALUE, 1, _pick(words[int(rng.integers(3))], rng))


def _replaced(data: bytes, rng: np.random.Generator, pattern: re.Pattern[bytes], group: int, piece: bytes) -> bytes:
    found = [match.span(group) for match in pattern.finditer(data[:200_000])]
    if not found:
        return _into(data, rng, piece)
    start, stop = found[int(rng.integers(len(found)))]
    return data[:start] + piece + data[stop:]


def _deep(data: bytes, rng: np.random.Generator, *_: object) -> bytes:
    """Nesting, in the place of a value."""
    depth = int(10 ** rng.uniform(1, 5))
    opened, closed = ((b"[", b"]"), (b'{"a":', b"}"), (b"{a=", b"}"), (b"a.", b""), (b"[[", b"]]"))[int(rng.integers(5))]
    return _replaced(data, rng, _VALUE, 1, opened * depth + b"1" + closed * (depth if rng.random() < 0.7 else 0))


def _long(data: bytes, rng: np.random.Generator, *_: object) -> bytes:
    piece = _pick(REPEATED, rng) * int(10 ** rng.uniform(2, 4.5 if rng.random() < 0.95 else 6.5))
    return _into(data, rng, piece) if rng.random() < 0.5 else _replaced(data, rng, _VALUE, 1, b'"' + piece + b'"')


def _encoded(data: bytes, rng: np.random.Generator, *_: object) -> bytes:
    return data.decode("latin-1").encode(ENCODINGS[int(rng.integers(len(ENCODINGS)))], "replace")


def _line_ends(data: bytes, rng: np.random.Generator, *_: object) -> bytes:
    return data.replace(b"\n", _pick((b"\r\n", b"\r", b"\n\r", b"\x0b", b"\x85", b"", b"\n\n"), rng))


# Those that leave text well formed stand more than once: what parses goes further.
CHANGES: tuple[Change, ...] = (
    _bits, _deleted, _cut, _doubled, _inserted, _spliced, _lines_spliced, _lines_spliced, _word, _word, _text, _number, _number,
    _number, _value, _value, _value, _value, _deep, _long, _encoded, _line_ends,
)  # fmt: skip

__all__ = ["CHANGES", "MOST_BYTES", "mutated"]
