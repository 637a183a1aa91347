"""A machine of one's own: what its manual is asked for, and whether the answers can be right."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from benchodds.basics.errors import ReadingError, nearest
from benchodds.basics.language import _
from benchodds.basics.quantities import Expect, parse_value, show_exact, to_base
from benchodds.basics.text import written
from benchodds.basics.words import limit_words
from benchodds.model.follow import Followed
from benchodds.model.system import SystemModel, build_system

HEAD = ("title", "years", "source")
"""What is asked first; ``source`` is written as provenance."""
NEEDED = ("title", "source")
WITHIN = 30.0
"""How many times longer or shorter access may take than in the base."""

Kind = Literal["text", "limit", "minutes", "parts"]
Answers = Mapping[str, tuple[str, str]]
"""What was answered, by key: the value, or both ends of a limit."""
Entry = tuple[tuple[str, ...], Any]
"""A key path of an overlay and its value."""

_ENDS = re.compile(r"(.*?\S)\s*(?:\.\.|…|–|\bto\b|(?<=[^-\seE])\s*-)\s*(\S.*)")
_ABOUT = re.compile(r"(.*?\S)\s*(?:±|\+/-|\+-)\s*([0-9.,]+)\s*%")
_MARK = re.compile(r"[^\d\s.,][^\d]*$")


@dataclass(frozen=True)
class Own:
    """What a checked overlay makes of its base: what followed, and limits still the base's."""

    base: str
    path: Path
    followed: tuple[Followed, ...]
    unstated: tuple[str, ...]


@dataclass(frozen=True)
class Question:
    """One value of a manual's page: the key it has on a sheet, and what the base has there."""

    key: str
    kind: Kind
    words: str
    unit: str = ""
    low: str | None = None
    high: str | None = None
    within: float = WITHIN
    known: tuple[str, ...] = ()

    @property
    def shipped(self) -> str:
        """The base's value, for comparison."""
        if self.kind == "limit":
            return limit_words(self.low, self.high)
        return self.low or ""

    def asked(self, base: str) -> str:
        """The question in a line: what, in which unit, and what the base has there."""
        unit = _(", in {unit}").format(unit=self.unit) if self.unit else ""
        return self.words + unit + (f" ({base}: {self.shipped})" if self.shipped else "")


def questions(base: Mapping[str, Any], like: str | None = None) -> tuple[Question, ...]:
    """What a manual's page is asked for, in its order.

    Raises as ``build_system``.
    """
    model = build_system(base, like)
    asked = {t: a.within for t, a in model.manual.items() if t in model.tests}
    plain = {t: WITHIN for t, spec in model.tests.items() if spec.limit and not spec.proves}
    return (
        Question("title", "text", _("What is the machine called?")),
        Question("years", "text", _("Which model years?")),
        Question("source", "text", _("Which manual, edition, page do the values come from?")),
        *(_limit(model, test, within) for test, within in (asked or plain).items()),
        *(
            Question(f"minutes {name}", "minutes", s.title, "min", s.minutes)
            for name, s in model.setups.items()
            if to_base(s.close, "min") > 0
        ),
        *(
            Question(f"colour {name}", "text", _("colour: {part}").format(part=name), low=colour)
            for name, colour in model.wiring.items()
        ),
        Question(
            "without",
            "parts",
            _("Which of these parts does it not have: {parts}?").format(
                parts=", ".join(f"{n} ({c.title})" for n, c in model.components.items())
            ),
            known=tuple(model.components),
        ),
    )


def _limit(model: SystemModel, test: str, within: float) -> Question:
    spec = model.tests[test]
    limit = spec.limit
    low, high = (limit.min, limit.max) if limit else (None, None)
    conditions = f" ({limit.conditions})" if limit and limit.conditions else ""
    return Question(test, "limit", spec.title + conditions, spec.unit, low, high, within)


def entries(question: Question, first: str, second: str = "") -> list[Entry]:
    """What an overlay says for an answer; nothing for an empty one, which leaves the base's.

    Raises
    ------
    ReadingError
        The answer cannot be read, or cannot be right; the sentence says what would be.
    """
    first, second = written(first).strip(), written(second).strip()
    if not first and not second:
        if question.key in NEEDED:
            raise ReadingError(_("'{key}' is needed").format(key=question.key))
        return []
    name = question.key.partition(" ")[2]
    if question.kind == "limit":
        return _ends(question, first, second)
    if question.kind == "minutes":
        number = _number(question, first)
        _compare(question, number, question.low)
        return [(("setups", name, "minutes"), show_exact(number, "min"))]
    if question.kind == "parts":
        parts = re.split(r"[\s,;]+", first.strip(" ,;"))
        for part in parts:
            if part not in question.known:
                raise ReadingError(
                    _("'{part}' is not a part here{hint}").format(
                        part=part, hint=nearest(part, question.known)
                    )
                )
        return [(("without",), parts)]
    if question.key in HEAD:
        return [(("provenance" if question.key == "source" else question.key,), first)]
    return [(("wiring", name), first)]


def _ends(question: Question, first: str, second: str) -> list[Entry]:
    """Both ends of a limit, or the one it has: '9 to 27 ohm', '18 ohm +-10%', '105 V'."""
    if not second and (about := _ABOUT.fullmatch(first)):
        middle, share = _number(question, about[1]), float(about[2].replace(",", ".")) / 100
        both_ends = (middle * (1 - share), middle * (1 + share))
        ends: list[float | None] = [float(f"{x:.4g}") for x in both_ends]
    else:
        if not second and (both := _ENDS.fullmatch(first)):
            first, second = both[1], both[2]
            if (mark := _MARK.search(second)) and not _MARK.search(first):
                first += mark[0]
        ends = [_number(question, text) if text else None for text in (first, second)]
        if not second and question.low is None:
            ends.reverse()  # the one end is the upper one
    named = {"min": ends[0], "max": ends[1]}
    missing = [
        end
        for end, old in (("min", question.low), ("max", question.high))
        if old and named[end] is None
    ]
    if missing:
        raise ReadingError(
            _("'{text}' for {test} says one end; write both, such as {example}").format(
                text=first or second, test=question.words, example=question.shipped
            )
        )
    if None not in ends and not ends[0] < ends[1]:  # type: ignore[operator]
        low, high = (show_exact(x, question.unit) for x in ends if x is not None)
        raise ReadingError(
            _("{test}: {low} is not below {high}").format(test=question.words, low=low, high=high)
        )
    for end, old in (("min", question.low), ("max", question.high)):
        if (number := named[end]) is not None:
            _compare(question, number, old or question.low or question.high)
    return [
        (("tests", question.key, "limit", end), show_exact(number, question.unit))
        for end, number in named.items()
        if number is not None
    ]


def _number(question: Question, text: str) -> float:
    """A number with its unit or without; one a thousand off the base is asked about."""
    known = [to_base(t, question.unit) for t in (question.low, question.high) if t]
    span = (min(known) / question.within, max(known) * question.within) if known else None
    value = parse_value(text, Expect(question.words, question.unit, span=span))
    if value.kind != "number" or value.number is None:
        raise ReadingError(
            _("'{text}' for {test} is not a number, such as {example}").format(
                text=text, test=question.words, example=question.low or question.high
            )
        )
    return value.number


def _compare(question: Question, number: float, old: str | None) -> None:
    """Refuse what is much larger or smaller than in the base."""
    if problem := implausible(number, old, question.unit, question.within):
        raise ReadingError(f"{question.words}: {problem}")


def implausible(number: float, old: str | None, unit: str, within: float) -> str:
    """Why a value cannot well be right beside the base's; empty when it can."""
    then = to_base(old, unit) if old else 0.0
    if then <= 0 or then / within <= number <= then * within:
        return ""
    times = f"{max(number / then, then / max(number, 1e-12)):.4g}"
    words = (
        _("{value} is {times} times the {old} of the base")
        if number > then
        else _("{value} is {times} times less than the {old} of the base")
    )
    return (
        words.format(value=show_exact(number, unit), times=times, old=old)
        + "; "
        + _("more than {within:g} times is taken for a slip: see the unit in the manual").format(
            within=within
        )
    )


# ---- what check says of an overlay -----------------------------------------------------------


def doubts_in_overlay(raw: Mapping[str, Any], base: Mapping[str, Any]) -> Iterator[str]:
    """What is legal in an overlay, and probably not meant."""
    known, now = str(raw.get("base_version", "")), str(base.get("version", ""))
    if known != now:
        yield "base_version: " + _(
            "{base} is at version {now} now; see whether what follows is still right, then write "
            "{now} here"
        ).format(base=raw.get("base"), now=now)
    for question in questions(base, str(raw.get("like") or "") or None):
        limit = _table(_table(_table(raw, "tests"), question.key), "limit")
        for end, old in (("min", question.low), ("max", question.high)):
            if question.kind == "limit" and isinstance(limit.get(end), str):
                number = to_base(limit[end], question.unit)
                if problem := implausible(number, old, question.unit, question.within):
                    yield f"tests.{question.key}.limit.{end}: {problem}"


def not_stated(whole: Mapping[str, Any], base: Mapping[str, Any]) -> Iterator[str]:
    """Tests whose limits an overlay neither states nor moves: they are still the base's."""
    for name, test in build_system(whole).tests.items():
        then = _table(_table(_table(base, "tests"), name), "limit")
        if test.limit and not test.proves and test.limit.source == then.get("source"):
            yield name


def _table(raw: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    found = raw.get(key)
    return found if isinstance(found, dict) else {}
