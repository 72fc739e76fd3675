"""Quote untrusted text in errors: short, on few lines, and without control characters."""

from __future__ import annotations

import unicodedata

LONGEST, MOST_LINES, SHORTEST_LINE = 1800, 10, 180  # characters of a message, own choice: it fits on a screen
OBEYED = ("Cc", "Cf", "Cs", "Co", "Zl", "Zp")  # Unicode categories: control, bidirectional, half pairs, line ends


class QuotingError(Exception):
    """An error whose text may quote untrusted files and streams: the text is shortened and made harmless here."""

    def __init__(self, text: object = "") -> None:
        super().__init__(told(str(text)))


def told(text: str) -> str:
    """Return a message of one or more lines, shortened and without control characters."""
    lines = text.split("\n") if len(text) <= LONGEST else [line for line in text.split("\n") if line.strip()] or [""]
    more = len(lines) - MOST_LINES
    longest = max(SHORTEST_LINE, LONGEST // min(len(lines), MOST_LINES)) if len(text) > LONGEST else LONGEST
    kept = [plain(line, longest) for line in lines[:MOST_LINES]]
    return "\n".join([*kept, f"and {more} more"] if more > 0 else kept)


def harmless(text: str) -> str:
    """Return the whole text without control characters, for a terminal; line ends and tabs stay."""
    if text.isprintable():
        return text
    return "".join(one if one in "\n\t" else _written(one) for one in text)


def plain(text: str, most: int) -> str:
    """Return one line of about `most` characters, shortened in the middle; control characters as Python escapes."""
    text = _middle_left_out(text, most)
    if text.isprintable():
        return text
    return _middle_left_out("".join(map(_written, text)), most)  # what is written as in Python takes up to ten times the room


def _middle_left_out(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[: most * 3 // 5]} ... {text[len(text) - most * 2 // 5 :]}"


def _written(one: str) -> str:
    return ascii(one)[1:-1] if unicodedata.category(one) in OBEYED else one
