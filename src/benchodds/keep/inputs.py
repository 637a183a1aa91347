"""Files that people name, read in bounds: whatever they are, there is an end and a sentence."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from benchodds.basics.errors import FileError
from benchodds.basics.language import _


def decoded(data: bytes) -> str:
    """Bytes as text in UTF-8, with or without a byte order mark.

    Raises
    ------
    FileError
        They are in another encoding, or no text; the message begins with 'is' or 'holds'.
    """
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise FileError(_("is text in UTF-16; save the file as UTF-8"))
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FileError(
            _("is not text in UTF-8 (byte 0x{byte:02x}); save the file as UTF-8").format(
                byte=data[error.start]
            )
        ) from None
    if "\0" in text:
        raise FileError(_("holds a zero byte, which no text does"))
    return text


def lines_of(path: Path, longest: int, most: int) -> Iterator[str]:
    """Lines of a file without their ends, one held at a time; both bounds are in bytes.

    Raises
    ------
    FileError
        Naming file and line: it cannot be read, is no text in UTF-8, or beyond a bound.
    """
    number = read = 0
    try:
        with path.open("rb") as file:
            while raw := file.readline(min(longest, most - read) + 1):
                number, read = number + 1, read + len(raw)
                if len(raw) > longest or read > most:
                    bound = longest if len(raw) > longest else most
                    raise FileError(_("at most {most:,} bytes are read").format(most=bound))
                yield decoded(raw).rstrip("\r\n")
    except FileError as error:
        where = _("{path}, line {number}").format(path=path, number=number)
        raise FileError(f"{where}: {error}") from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else error
        raise FileError(
            f"{path}: " + _("cannot be read ({reason})").format(reason=reason)
        ) from None


def text_of(path: Path, most: int) -> str:
    """The text of a file of at most ``most`` bytes, lines ended by a line feed. As `lines_of`."""
    return "".join(f"{line}\n" for line in lines_of(path, most, most))
