"""Text from outside as it may be printed: what a terminal obeys, and what turns writing about, is written out.

Control characters (C0, DEL, C1), line and paragraph separators, marks that change the direction of writing, invisible
format characters and halves of surrogate pairs become their escapes as JSON writes them, such as `\\u001b`: JSON that
passes through stays the same JSON. The joiners that some scripts need between their letters stay.
"""

import json
import re

_INVISIBLE = (
    "\x00-\x08\x0b-\x1f\x7f-\x9f\xad\u061c\u180e\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f\ud800-\udfff\ufeff"
    "\ufff9-\ufffb\U00013430-\U0001343f\U0001bca0-\U0001bca3\U0001d173-\U0001d17a\U000e0000-\U000e0fff"
)
_HARMFUL = re.compile(f"[{_INVISIBLE}]")
_HARMFUL_IN_LINE = re.compile(f"[\t\n{_INVISIBLE}]")


def plain(text: str) -> str:
    """Text of any number of lines; tabs stay."""
    return _HARMFUL.sub(_escape, text)


def plain_line(text: str) -> str:
    """Text that has to stay on its line, such as a name: line ends and tabs are written out too."""
    return _HARMFUL_IN_LINE.sub(_escape, text)


def _escape(sign: re.Match[str]) -> str:
    return json.dumps(sign[0])[1:-1].replace("\x7f", "\\u007f")
