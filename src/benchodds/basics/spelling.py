"""Readings as people put them down: marks, phrases and words, brought to the one way they are read.

Nothing is guessed. What is rewritten says the same in another way: "no spark" is "none", ">2M" is
over-range at the top of that range, "112 V AC" is 112 V (which the record keeps as it was written).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

_ROUGH = re.compile(
    r"(?i)(?:~|\u2248|about\b|approx(?:imately)?\b\.?|ca\b\.?|around\b|roughly\b)\s*"
)
_OVER = re.compile(r"(?i)(?:>=?|\u2265|more than\b|above\b)\s*(.*\d.*)")
_CURRENT = re.compile(r"(?i)(.*\d\s*(?:[mk]?v(?:olts?)?|m?a(?:mps?)?))\s*(?:ac|dc|~)")
_DEGREES = re.compile(r"(?i)(.*\d)\s*(?:degrees?|deg|\u00b0)(?:\s*c(?:elsius)?)?")
_NONE = re.compile(r"(?i)(?:no sparks?(?: at all)?|nothing)\b(.*)")
_COMMAS = re.compile(r"\d+(?:\.\d+)?(?:,\d+(?:\.\d+)?){2,}")
_THOUSANDS = re.compile(r"\d{1,3}(?:,\d{3})+")

MOST_WORDS = 8
"""Most words of one reading: 'unstable 3 V to 40 V' has six."""

LOOKS = {
    "no-change": ("nothing", "steady", "same"),
    "unchanged": ("nothing", "steady", "same"),
    "change": ("changes", "varies"),
    "changed": ("changes", "varies"),
}
"""What is said of a look, and the outcomes that mean it: the one that the test has."""


def plainly(text: str, unit: str, words: Sequence[str], sparks: bool) -> tuple[str, bool]:
    """A reading in the way it is read, and whether it was said to be about so much."""
    if sparks:
        match = _NONE.fullmatch(text)
        return (f"none{match[1]}" if match else text), False
    if words and not unit:
        meant = LOOKS.get(re.sub(r"[-_\s]+", "-", text.lower()), ())
        return next((w for w in meant if w in words and text not in words), text), False
    rough = _ROUGH.match(text)
    said = text[rough.end() :] if rough else text
    if match := _CURRENT.fullmatch(said):
        said = match[1]
    if unit == "degC" and (match := _DEGREES.fullmatch(said)):
        said = f"{match[1]} degC"
    if match := _OVER.fullmatch(said):
        said = f"OL@{match[1]}"
    return ("open" if said.lower() == "open circuit" else said), rough is not None


def was_alternating(text: str) -> bool:
    """Whether a reading was said to be of alternating current."""
    return bool(_CURRENT.fullmatch(text)) and not text.lower().endswith("dc")


def apart(words: Sequence[str], is_reading: Callable[[str], bool]) -> tuple[str, ...]:
    """Words as they were typed, put together to readings: '1.4', 'kohm' is one, '20, 34' two.

    Of words that follow each other as many as make one reading belong together. What makes none
    stays as it was, so that it is refused as it was typed.
    """
    loose = [part for word in words for part in _listed(word)]
    found: list[str] = []
    at = 0
    while at < len(loose):
        ends = range(min(len(loose), at + MOST_WORDS), at, -1)
        end = next((e for e in ends if is_reading(" ".join(loose[at:e]))), None)
        if end is None:
            return tuple(words)
        found.append(" ".join(loose[at:end]))
        at = end
    return tuple(found)


def _listed(word: str) -> list[str]:
    """The items of a list with commas; a single comma is a decimal one, or ends an item."""
    if _COMMAS.fullmatch(word) and not _THOUSANDS.fullmatch(word):
        return word.split(",")
    return [part for part in re.split(r",\s+|,$", word) if part] or [word]
