"""The line that is being typed, and the remark beside it."""

from __future__ import annotations

from typing import Final

OF_A_NUMBER: Final = "0123456789.,+-"
#: Longer than any number, or any word of a choice; a reason may take a line.
MOST_OF_A_NUMBER: Final = 12
MOST_OF_A_LINE: Final = 200


class TypedLine:
    """What was typed of an answer so far.

    Attributes
    ----------
    text : str
    note : str
        What the person should know about what they typed.
    """

    def __init__(self) -> None:
        self.text = ""
        self.note = ""

    def begin(self, dropped: str = "", *, taken: str = "") -> None:
        """Begin anew; what was typed too early is named, and so is what was taken before."""
        self.text = ""
        self.note = f"{taken[:20]} was taken" if taken else ""
        if any(sign.isalnum() for sign in dropped):
            self.note = f"typed before this was asked, not taken: {dropped[:20]}"

    def edit(self, key: str, *, number: bool = False) -> bool:
        """Change the line by one key; return whether it is a key that can."""
        if key == "backspace":
            self.text = self.text[:-1]
        elif key in ("clear", "esc"):
            self.text = ""
        elif len(key) == 1 and (not number or key in OF_A_NUMBER):
            most = MOST_OF_A_NUMBER if number else MOST_OF_A_LINE
            self.text = (self.text + key)[:most]
        else:
            return False
        self.note = ""
        return True
