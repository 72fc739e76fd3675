"""Read untrusted XML (stream descriptions, headers of recordings) with limits.

ElementTree is safe if three things are refused, which such text does not need: a document type, which declares entities
(unlimited expansion, external files and addresses); more text or elements than fit into memory; and nesting so deep that writing
the tree exceeds Python's stack. The text is already Unicode, so an encoding that it states is ignored.
"""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree

# Own choice: 10,000 channels with twenty entries each take 4 MB.
MOST_LETTERS, MOST_TAGS, MOST_DEPTH = 4_000_000, 400_000, 64


class XmlError(ValueError):
    """Raised if the text is no XML, or not of a kind that is read here."""


def element_from(text: str) -> ElementTree.Element:
    """Parse the text and return its root element. Raises XmlError."""
    if len(text) > MOST_LETTERS:
        raise XmlError(f"it has {len(text):,} characters; at most {MOST_LETTERS:,} are read")
    if "<!DOCTYPE" in text:
        raise XmlError("it declares a document type, by which entities could be made; such text is not read")
    if (tags := text.count("<")) > MOST_TAGS:
        raise XmlError(f"it has about {tags:,} tags; at most {MOST_TAGS:,} are read")
    try:
        root = ElementTree.fromstring(text)
    except (ElementTree.ParseError, ValueError) as error:  # half a pair of surrogates is a ValueError
        raise XmlError(f"it is not XML that is well formed: {error}") from error
    level = [root]
    for _ in range(MOST_DEPTH):
        level = [child for element in level for child in element]
        if not level:
            return root
    raise XmlError(f"it is nested more than {MOST_DEPTH} deep")
