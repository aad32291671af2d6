"""Why an export can't be read at all: what every format raises and the reading of a case turns into a question."""

from __future__ import annotations


class UnreadableError(Exception):
    """The export can't be read; the text says why and what to do."""

    def __init__(self, what: str, remedy: str = "") -> None:
        super().__init__(what)
        self.what, self.remedy = what, remedy


class WrongEncodingError(Exception):
    """Bytes that are not text in the encoding that was taken; ``offset`` counts from the first byte of the text."""

    def __init__(self, offset: int) -> None:
        super().__init__(str(offset))
        self.offset = offset
