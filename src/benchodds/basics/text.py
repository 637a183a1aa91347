"""Text at the door: what may come in, and how what is kept is shown.

One judge of what people and files bring (:func:`written`), one way to show what a record holds
(:func:`shown`): an old record, or one from elsewhere, may hold what no one may write today.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from typing import Any

from benchodds.basics.errors import TextError
from benchodds.basics.language import _

LONGEST = 10_000
"""Most characters of one text."""

_ODD = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f"  # controls, without tab and line feed (ISO/IEC 6429: C0, C1)
    "\u2028\u2029\u202a-\u202e\u2066-\u2069"  # line ends of Unicode; overrides of direction
    "\ud800-\udfff\ufdd0-\ufdef\ufeff\ufffe\uffff]"  # half pairs, no characters, byte order
)
"""What no text of a job needs and a terminal, a file or a reader can be led astray by."""


def written(text: str) -> str:
    """A text as it may be kept: in Unicode's composed form (NFC), lines ended by a line feed.

    Raises
    ------
    TextError
        It is too long, or holds a control character, half a character or another thing that is
        no text; the message says which, and where.
    """
    if len(text) > LONGEST:
        raise TextError(
            _("a text of {n:,} characters, '{start}...'; at most {most:,} are taken").format(
                n=len(text), start=shown(text[:20]), most=LONGEST
            )
        )
    plain = unicodedata.normalize("NFC", text.replace("\r\n", "\n"))
    if (odd := _ODD.search(plain)) is None:
        return plain
    found = ord(odd[0])
    what = _("the control character U+{code:04X}").format(code=found)
    if 0xDC80 <= found <= 0xDCFF:  # how Python hands on a byte that is no UTF-8 (PEP 383)
        what = _("the byte 0x{byte:02x}, which is not UTF-8").format(byte=found - 0xDC00)
    raise TextError(
        _("'{text}' holds {what} (character {place}); write plain text").format(
            text=shown(plain[max(0, odd.start() - 30) : odd.start() + 30]),
            what=what,
            place=odd.start() + 1,
        )
    )


def all_written(value: Any) -> Any:
    """Tables and lists with every text in them as :func:`written` has it. Raises TextError."""
    if isinstance(value, str):
        return written(value)
    if isinstance(value, list | tuple):
        return [all_written(v) for v in value]
    if isinstance(value, Mapping):
        return {all_written(k): all_written(v) for k, v in value.items()}
    return value


def shown(text: str) -> str:
    r"""A text that a terminal, a page or a file can show: what is odd in it as ``\u001b``.

    That is also how JSON writes it inside a text, so a line of JSON still means the same.
    """
    return _ODD.sub(lambda odd: f"\\u{ord(odd[0]):04x}", text)
