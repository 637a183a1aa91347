"""Texts for people in the language of who reads them.

Every text stands in the code as whole English sentences with named places, ``_("{n} jobs")``,
and is looked up when it is used. The language is that of the context; without one, English.
A text made when a module is loaded is marked with ``N_`` and looked up later.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from gettext import NullTranslations

ENGLISH = NullTranslations()
_spoken: ContextVar[NullTranslations] = ContextVar("language", default=ENGLISH)


def _(text: str) -> str:
    """The text in the language of now."""
    return _spoken.get().gettext(text)


def ngettext(one: str, many: str, n: int) -> str:
    """The form of a text that goes with ``n`` things."""
    return _spoken.get().ngettext(one, many, n)


def pgettext(context: str, text: str) -> str:
    """The text where the same English words mean several things; ``context`` says which."""
    return _spoken.get().pgettext(context, text)


def N_(text: str) -> str:
    """The text itself, marked to be found; it is looked up with ``_`` when it is used."""
    return text


def language() -> str:
    """The code of the language of now, such as 'en' or 'de'."""
    return _spoken.get().info().get("language") or "en"


def speak(words: NullTranslations) -> None:
    """From now on, in this context, texts are looked up in ``words``."""
    _spoken.set(words)


@contextmanager
def speaking(words: NullTranslations) -> Iterator[None]:
    """Look texts up in ``words`` for a while."""
    token = _spoken.set(words)
    try:
        yield
    finally:
        _spoken.reset(token)
