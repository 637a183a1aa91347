"""Small words for people: probabilities without false precision, lines of 80 columns."""

from __future__ import annotations

import textwrap

WIDTH = 80
_SHARES = ((1, 2), (1, 3), (2, 3), (1, 4), (3, 4), (1, 5), (2, 5), (3, 5), (4, 5), (1, 10), (9, 10))


def percent(p: float) -> str:
    """A probability without false precision: '21 %', '3 %', 'under 1 %', 'over 99 %'."""
    if p < 0.01:
        return "under 1 %"
    if p > 0.99:
        return "over 99 %"
    return f"{100 * p:.0f} %"


def about(p: float) -> str:
    """A probability in words: 'about 3 in 4', 'about 1 in 30', 'almost sure'."""
    if p > 0.94:
        return "almost sure"
    if p < 0.004:
        return "hardly"
    if p < 0.085:
        n = 1 / p
        return f"about 1 in {round(n) if n < 20 else round(n, -1):.0f}"
    a, b = min(_SHARES, key=lambda s: abs(s[0] / s[1] - p))
    return f"about {a} in {b}"


def wrap(text: str, first: str = "", rest: str | None = None) -> list[str]:
    """Lines of at most 80 columns with the given first and following indents."""
    after = " " * len(first) if rest is None else rest
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=after) or [first]


def limit_words(low: str | None, high: str | None) -> str:
    """A limit in words."""
    if low and high:
        return f"{low} to {high}"
    return f"at least {low}" if low else f"at most {high}"
