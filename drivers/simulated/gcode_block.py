"""One line of G-code taken apart into words, and what a motion controller refuses.

References
----------
RS-274/NGC, Kramer, Proctor and Messina, NISTIR 6556 (2000), section 3: words, comments, modal
groups (from memory). The numbers of errors are those in common use by open motion controllers
(from memory).
"""

from __future__ import annotations

import re

ERROR_LETTER, ERROR_NUMBER, ERROR_STATEMENT = 1, 2, 3
ERROR_NOT_IDLE, ERROR_LOCKED, ERROR_LINE_LENGTH = 8, 9, 11
ERROR_UNSUPPORTED, ERROR_MODAL_GROUP, ERROR_NO_FEED = 20, 21, 22
ERROR_REPEATED, ERROR_NO_VALUE, ERROR_UNUSED = 25, 28, 36

LINE_LENGTH = 80
_WORD = re.compile(r"([A-Z])([^A-Z]*)")
_NUMBER = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)")
COMMENT = re.compile(r"\([^)]*\)|;.*")
#: Modal groups of RS-274/NGC; only one word of a group may stand in a line.
_GROUPS = {
    "G0": "motion",
    "G1": "motion",
    "G4": "non-modal",
    "G53": "non-modal",
    "G17": "plane",
    "G20": "units",
    "G21": "units",
    "G54": "coordinates",
    "G90": "distance",
    "G91": "distance",
    "G94": "feed",
}


class Refused(Exception):
    """The line is not obeyed; `code` is the number in the answer."""

    def __init__(self, code: int) -> None:
        self.code = code
        super().__init__(code)


def split_words(text: str) -> tuple[dict[str, str], dict[str, float]]:
    """Split a line into its commands, by modal group, and its values, by letter."""
    if not text[0].isalpha():
        raise Refused(ERROR_LETTER)
    commands: dict[str, str] = {}
    values: dict[str, float] = {}
    for letter, number in _WORD.findall(text):
        if not _NUMBER.fullmatch(number):
            raise Refused(ERROR_NUMBER)
        if letter in "GM":
            word = f"{letter}{float(number):g}"
            if word not in _GROUPS:
                raise Refused(ERROR_UNSUPPORTED)
            if _GROUPS[word] in commands:
                raise Refused(ERROR_MODAL_GROUP)
            commands[_GROUPS[word]] = word
        elif letter not in "XYZFP":
            raise Refused(ERROR_UNSUPPORTED)
        elif letter in values:
            raise Refused(ERROR_REPEATED)
        else:
            values[letter] = float(number)
    return commands, values
