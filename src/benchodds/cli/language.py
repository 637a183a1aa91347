"""The language of a run, and the help of commands in it."""

from __future__ import annotations

import copy
import gettext
import inspect
import os
import sys
from contextlib import suppress
from io import StringIO, TextIOWrapper
from typing import TypeVar

import click

from benchodds.basics.language import ENGLISH, N_, _, speak
from benchodds.keep import languages

SHOWN, TAKEN = "backslashreplace", "surrogateescape"

C = TypeVar("C", bound=click.Command)

CLICK = (
    N_("Usage:"),
    N_("Options"),
    N_("Commands"),
    N_("default: {default}"),
    N_("Show this message and exit."),
    N_("Error: {message}"),
    N_("Try '{command} {option}' for help."),
    N_("Invalid value: {message}"),
    N_("Invalid value for {param_hint}: {message}"),
    N_("Missing argument"),
    N_("Missing option"),
    N_("Missing command."),
    N_("No such option {name!r}."),
    N_("No such command {name!r}."),
    N_("Got unexpected extra argument ({args})"),
    N_("Option {name!r} requires an argument."),
    N_("Option {name!r} does not take a value."),
    N_("{value!r} is not one of {choices}."),
    N_("{value!r} is not a valid {number_type}."),
    N_("{value} is not in the range {range}."),
    N_("{name} {filename!r} does not exist."),
    N_("{name} {filename!r} is a file."),
    N_("{name} {filename!r} is a directory."),
    N_("file"),
    N_("directory"),
    N_("path"),
    N_("Aborted!"),
)
"""What the library of commands says itself; it looks its texts up in the same catalogue."""


def settle() -> None:
    """Speak the language that the environment asks for, or English.

    What the terminal cannot show is shown by its number, what it sends that is no text is kept
    for the judge of texts.
    """
    for name in ("stdin", "stdout", "stderr"):
        if getattr(sys, name) is None:  # closed: nothing comes, what goes is gone
            setattr(sys, name, StringIO())
    for stream, way in ((sys.stdout, SHOWN), (sys.stderr, SHOWN), (sys.stdin, TAKEN)):
        if isinstance(stream, TextIOWrapper):
            with suppress(OSError, ValueError):
                stream.reconfigure(errors=way)
    found = languages.catalogue(languages.wanted(os.environ))
    if found is None:
        speak(ENGLISH)
        return
    words, folder = found
    speak(words)
    if said := os.environ.get(languages.VARIABLE):
        os.environ["LANGUAGE"] = said  # for the library of commands
    gettext.bindtextdomain(languages.DOMAIN, str(folder))
    gettext.textdomain(languages.DOMAIN)


def spoken(command: C) -> C:
    """The command, its help in the language of now."""
    said = copy.copy(command)
    said.help, said.epilog = _tell(command.help), _tell(command.epilog)
    said.params = [_parameter(p) for p in command.params]
    return said


def _parameter(parameter: click.Parameter) -> click.Parameter:
    said = copy.copy(parameter)
    said.metavar = _tell(parameter.metavar)
    if isinstance(said, click.Option):
        said.help = _tell(said.help)
    return said


def _tell(text: str | None) -> str | None:
    return _(inspect.cleandoc(text)) if text else text
