"""Inputs made from valid ones by hypothesis: pieces replaced by broken bytes, words of the format, numbers, text and nesting that
nobody would write by hand."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Sequence

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

MOST_BYTES = 5_000_000  # of an input: beyond the 4 MB that a text file may have
ROUND = 500  # inputs of one search: hypothesis remembers all that it tried, so that another search takes less memory
WORDS = (
    b"9" * 5000, b"0." + b"3" * 2000, b"1e999999999", b"0x7f", b"1_000", b"+nan", b"-Infinity", b"{}", b"[]", b'""', b"''",
    b"\xef\xbb\xbf", b"\xff\xfe", b"\xff", b"\xc0\x80", b"\xed\xa0\x80", b"\xf4\x90\x80\x80", b"\x80", b"\x1b[2J",
    b"\x1b]0;x\x07", b"\\u001b[31m", b"\\u0000", b"\\ud800", b"\\u202e", "\u202e\u2066\u2028\u200b\u00b5\U0001f442e".encode(),
    b"../../../../tmp/x", b"/dev/zero", b"/dev/stdin", b"/proc/self/mem", b"/", b"..", b"CON", b"nul.toml", b"a" * 300, b"~/x",
    b"C:\\\\x", b"\\\\\\\\host\\\\x", b"%s%n", b"{0.__class__}", b"${HOME}", b"<script>", b"&amp;", b"'; --", b"__proto__", b"#",
    b'"""', b"\r\n", b"\r", b"\x85",
)  # fmt: skip
REPEATED = (b"a", b"9", b" ", b"\n", b"#", b"\\", b'"', b"\xc3\xa4", b"a=1\n", b"[a]\n", b"[[a]]\n", b'{"a":1}\n', b"1,")
NESTED = ((b"[", b"]"), (b'{"a":', b"}"), (b"{a=", b"}"), (b"a.", b""), (b"[[", b"]]"))
ENCODINGS = ("utf-16", "utf-16-le", "utf-32", "latin-1", "cp1252", "utf-7", "utf-8-sig", "cp037")
PLACES = (re.compile(rb"-?\d[\d_.eE+-]*"), re.compile(rb"(?<=[=:] )[^\n,}\]]+"), re.compile(rb"[^\n]*\n?"))  # number, value, line

_value = st.one_of(
    st.floats().map(repr),
    st.integers().map(str),
    st.sampled_from(("true", "false", "null")),
    st.datetimes().map(lambda moment: moment.isoformat()),
    st.text().map(json.dumps),
    st.text(),
).map(lambda text: text.encode())
_size = st.floats(0, 1).map(lambda part: int(10 ** (5 * part)))
_deep = st.builds(lambda pair, depth, ends: pair[0] * depth + b"1" + pair[1] * depth * ends,
                  st.sampled_from(NESTED), _size, st.booleans())  # fmt: skip
_long = st.builds(lambda piece, times, quote: quote + piece * times + quote, st.sampled_from(REPEATED), _size,
                  st.sampled_from((b"", b'"')))  # fmt: skip


@st.composite
def broken(draw: st.DrawFn, seeds: Sequence[bytes], dictionary: Sequence[bytes] = ()) -> bytes:
    """One of the seeds, one to six pieces of it replaced by others, one in ten in another encoding."""
    data = draw(st.sampled_from(seeds))
    words = st.sampled_from((*dictionary, *(b'"' + word + b'"' for word in dictionary), *WORDS))
    piece = st.one_of(st.just(b""), st.binary(max_size=16), words, words, _value, _value, _deep, _long, _copied(seeds))
    for _ in range(draw(st.integers(1, 6))):
        start, stop = draw(_span(data))
        data = data[:start] + draw(piece) + data[stop:]
    if draw(st.integers(0, 9)) == 9:
        data = data.decode("latin-1").encode(draw(st.sampled_from(ENCODINGS)), "replace")
    return data[:MOST_BYTES]


@st.composite
def _span(draw: st.DrawFn, data: bytes) -> tuple[int, int]:
    """A number, a value or a line; or bytes from anywhere, none of them (an insertion) to all that follow."""
    place = draw(st.sampled_from((*PLACES, None)))
    if place is not None and (found := [match.span() for match in place.finditer(data[:50_000])]):
        return found[draw(st.integers(0, len(found) - 1))]
    start = draw(st.integers(0, len(data)))
    return start, min(len(data), start + draw(st.sampled_from((0, 0, 1, 1, 8, 64, 1024, MOST_BYTES))))


@st.composite
def _copied(draw: st.DrawFn, seeds: Sequence[bytes]) -> bytes:
    other = draw(st.sampled_from(seeds))
    start, stop = draw(_span(other))
    return other[start:stop] * draw(st.sampled_from((1, 1, 1, 2, 10, 1000) if stop - start < 5000 else (1,)))


def each_input(
    try_it: Callable[[bytes], object], seeds: Sequence[bytes], dictionary: Sequence[bytes], count: int, number: str
) -> None:
    """Calls ``try_it`` with ``count`` inputs, always the same for the same seeds and ``number``. ``try_it`` raises nothing."""
    tried = 0

    def one(data: bytes) -> None:
        nonlocal tried
        tried += 1
        try_it(data)

    while tried < count:
        search = settings(max_examples=min(ROUND, count - tried), database=None, deadline=None, phases=(Phase.generate,),
                          suppress_health_check=list(HealthCheck))(given(broken(seeds, dictionary))(one))  # fmt: skip
        seed(f"{number} {tried}")(search)()
