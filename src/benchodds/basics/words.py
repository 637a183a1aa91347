"""Small words for people: probabilities without false precision, lines of 80 columns."""

from __future__ import annotations

import textwrap

from benchodds.basics.language import _

WIDTH = 80
_SHARES = ((1, 2), (1, 3), (2, 3), (1, 4), (3, 4), (1, 5), (2, 5), (3, 5), (4, 5), (1, 10), (9, 10))


def percent(p: float) -> str:
    """A probability without false precision: '21 %', '3 %', 'under 1 %', 'over 99 %'."""
    if p < 0.01:
        return _("under 1 %")
    if p > 0.99:
        return _("over 99 %")
    return f"{100 * p:.0f} %"


def about(p: float) -> str:
    """A probability in words: 'about 3 in 4', 'about 1 in 30', 'almost sure'."""
    if p > 0.94:
        return _("almost sure")
    if p < 0.004:
        return "hardly"
    if p < 0.085:
        n = 1 / p
        return _("about 1 in {n:.0f}").format(n=round(n) if n < 20 else round(n, -1))
    a, b = min(_SHARES, key=lambda s: abs(s[0] / s[1] - p))
    return _("about {a} in {b}").format(a=a, b=b)


def wrap(text: str, first: str = "", rest: str | None = None) -> list[str]:
    """Lines of at most 80 columns with the given first and following indents."""
    after = " " * len(first) if rest is None else rest
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=after) or [first]


def wrapped(*sentences: str) -> list[str]:
    """Sentences as lines, each beginning a line of its own; none for those that say nothing."""
    return [line for text in sentences if text for line in wrap(text, "", "  ")]


def limit_words(low: str | None, high: str | None) -> str:
    """A limit in words."""
    if low and high:
        return _("{low} to {high}").format(low=low, high=high)
    return _("at least {low}").format(low=low) if low else _("at most {high}").format(high=high)
