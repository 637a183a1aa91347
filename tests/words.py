"""All texts for people in one place: the catalogue's template, and languages made from it.

``python tests/words.py`` gathers every text of the package into ``benchodds.pot``, brings each
language (``LANGUAGE.po`` beside it) up to date, checks its places, and compiles it.
"""

from __future__ import annotations

import ast
import functools
import inspect
import io
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from string import Formatter
from typing import Any

import click
from babel.messages import Catalog, mofile, pofile
from babel.messages.extract import extract
from babel.util import distinct

SOURCE = Path(__file__).parents[1] / "src" / "benchodds"
FOLDER = SOURCE / "languages"
TEMPLATE = FOLDER / "benchodds.pot"
CALLS = {"_": 1, "N_": 1, "ngettext": 2, "pgettext": 2}
"""The functions that mark texts, and how many texts each takes."""
JINJA = {"extensions": "jinja2.ext.i18n", "silent": "false"}
HEADER = """\
# Every text of benchodds for people. Copy it to LANGUAGE.po, translate, run: python tests/words.py
# Places {name} stay as they are and may stand in another order; figures in them stay too.
msgid ""
msgstr ""
"Content-Type: text/plain; charset=utf-8\\n"
"Content-Transfer-Encoding: 8bit\\n"

"""


def in_python(path: Path) -> Iterator[tuple[str, tuple[str, ...], list[str]]]:
    """(function, texts, comments for translators) of every marked text in a module."""
    source = path.read_text(encoding="utf-8")
    lines = source.splitlines()
    calls = [
        n
        for n in ast.walk(ast.parse(source))
        if isinstance(n, ast.Call) and isinstance(n.func, ast.Name) and n.func.id in CALLS
    ]
    for call in sorted(calls, key=lambda n: (n.lineno, n.col_offset)):
        name = call.func.id  # type: ignore[attr-defined]
        values = [a.value for a in call.args[: CALLS[name]] if isinstance(a, ast.Constant)]
        if len(values) == CALLS[name] and all(isinstance(v, str) and v for v in values):
            comments: list[str] = []
            row = call.lineno - 2
            while row >= 0 and lines[row].lstrip().startswith("#"):
                comments.insert(0, lines[row].strip(" #"))
                row -= 1
            start = [i for i, c in enumerate(comments) if c.startswith("Translators:")]
            yield name, tuple(map(str, values)), comments[start[-1] :] if start else []


def home(found: Any) -> Path:
    """The module of a class or function in the tree, wherever it was imported from."""
    return SOURCE.joinpath(*found.__module__.split(".")[1:]).with_suffix(".py")


def in_commands() -> Iterator[tuple[Path, str]]:
    """(module, text) of the help of every command."""
    from benchodds.cli.main import ELSEWHERE, main

    context = click.Context(main)
    for name in [None, *sorted({*main.commands, *ELSEWHERE})]:
        command = main if name is None else main.get_command(context, name)
        assert command is not None and command.callback is not None
        path = home(inspect.unwrap(command.callback))
        said = [command.help, command.epilog]
        for p in command.params:
            said += [p.metavar, p.help if isinstance(p, click.Option) else None]
        yield from ((path, inspect.cleandoc(text)) for text in said if text)


def in_schemas() -> Iterator[tuple[Path, str]]:
    """(module, text) of what files may say, as mistakes and JSON Schemas tell it."""
    from benchodds.author.schema import KINDS, classes, cleaned
    from benchodds.basics.validation import descriptions

    for top in KINDS.values():
        for found in classes(top):
            path = home(found)
            said = [*descriptions(found).values(), cleaned(found.__doc__ or "")]
            yield from ((path, text) for text in said if text)


@functools.cache
def template() -> Catalog:
    """Every text of the package once, with the files it comes from."""
    catalog = Catalog(charset="utf-8")

    def add(path: Path, text: Any, comments: list[str], context: str | None = None) -> None:
        place = (path.relative_to(SOURCE).as_posix(), 0)
        catalog.add(text, locations=[place], auto_comments=distinct(comments), context=context)

    for path in sorted(SOURCE.rglob("*.py")):
        for name, texts, comments in in_python(path):
            if name == "pgettext":
                add(path, texts[1], comments, texts[0])
            else:
                add(path, texts if name == "ngettext" else texts[0], comments)
    for path in sorted((SOURCE / "templates").rglob("*.html")):
        with path.open("rb") as file:
            for _, text, comments, context in extract(
                "jinja2.ext:babel_extract", file, comment_tags=["Translators:"], options=JINJA
            ):
                add(path, text, comments, context)
    for path, text in (*in_commands(), *in_schemas()):
        add(path, text, [])
    for message in catalog:
        if message.id:
            message.locations = sorted(set(message.locations))
            message.flags -= {"python-format"}
            message.flags |= {
                flag
                for flag, places in (("python-brace-format", braces), ("python-format", percents))
                if any(places(t) for t in _texts(message.id))
            }
    return catalog


def written(catalog: Catalog) -> str:
    """The template as it stands in the file."""
    out = io.BytesIO()
    pofile.write_po(
        out, catalog, omit_header=True, sort_by_file=True, width=96, include_lineno=False
    )
    return HEADER + out.getvalue().decode()


def _texts(text: Any) -> tuple[str, ...]:
    return tuple(t for t in ((text,) if isinstance(text, str) else text or ()) if t)


def braces(text: str) -> set[str]:
    """The names of places like {name}."""
    try:
        return {name for _, name, _, _ in Formatter().parse(text) if name}
    except ValueError:
        return set()


def percents(text: str) -> set[str]:
    """The names of places like %(name)s."""
    return set(re.findall(r"%\((\w+)\)s", text))


def mistakes(catalog: Catalog) -> list[str]:
    """Translations whose places are not those of the English text."""
    out = []
    for message in catalog:
        if not message.id or message.fuzzy:
            continue
        for said in _texts(message.string):
            wanted = set().union(*map(_places, _texts(message.id)))
            if not _places(said) <= wanted or (
                isinstance(message.id, str) and _places(said) != wanted
            ):
                out.append(f"{said!r} has other places than {_texts(message.id)[0]!r}")
    return out


def _places(text: str) -> set[str]:
    return braces(text) | percents(text)


def compiled(catalog: Catalog, folder: Path, language: str) -> Path:
    """Write a catalogue where it is looked for at run time."""
    path = folder / language / "LC_MESSAGES" / "benchodds.mo"
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as file:
        mofile.write_mo(file, catalog)
    return path


def main() -> int:
    """Gather, bring up to date, check and compile. Returns the exit code."""
    texts = template()
    TEMPLATE.write_text(written(texts), encoding="utf-8")
    print(f"{TEMPLATE.name}: {len(texts)} texts")
    wrong = 0
    for path in sorted(FOLDER.glob("*.po")):
        with path.open("rb") as file:
            catalog = pofile.read_po(file, locale=path.stem)
        catalog.update(texts, no_fuzzy_matching=True)
        with path.open("wb") as file:
            pofile.write_po(file, catalog, sort_by_file=True, width=96, include_lineno=False)
        found = mistakes(catalog)
        wrong += len(found)
        print(*found, sep="\n", end="\n" if found else "")
        done = sum(1 for m in catalog if m.id and all(_texts(m.string)) and _texts(m.string))
        print(f"{path.name}: {done} of {len(texts)} translated")
        compiled(catalog, FOLDER, path.stem)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
