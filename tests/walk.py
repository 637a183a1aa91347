"""The walk through the tool in README.md: its commands run, and what they print is what it shows.

``python tests/walk.py`` runs them and writes what they print into README.md.
"""

from __future__ import annotations

import os
import re
import shlex
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from click.testing import CliRunner

README = Path(__file__).parents[1] / "README.md"
_BLOCK = re.compile(r"(?<=```console\n).*?(?=```)", re.DOTALL)
LONGEST = 30
"""Lines of one command that are shown; the rest is three dots."""


def blocks(text: str) -> list[str]:
    """The console blocks of the walk."""
    return _BLOCK.findall(text)


def commands(block: str) -> list[str]:
    """The commands of a block, without the prompt."""
    return [line[2:] for line in block.splitlines() if line.startswith("$ ")]


@contextmanager
def place() -> Iterator[None]:
    """A store, models folder and working folder of its own."""
    before, keep = Path.cwd(), dict(os.environ)
    with tempfile.TemporaryDirectory() as folder:
        os.environ["BENCHODDS_STORE"] = str(Path(folder) / "jobs.sqlite")
        os.environ["BENCHODDS_FOLDER"] = str(Path(folder) / "shop")
        (Path(folder) / "demo").symlink_to(README.parent / "demo")
        os.chdir(folder)
        try:
            yield
        finally:
            os.chdir(before)
            os.environ.clear()
            os.environ.update(keep)


def printed(command: str) -> str:
    """What a command prints, in the form that the README shows."""
    from benchodds.cli.main import main

    name, *arguments = shlex.split(command)
    assert name == "benchodds", command
    result = CliRunner().invoke(main, arguments)
    assert result.exit_code == 0, result.output
    lines = [line.rstrip() for line in result.output.strip().splitlines()]
    if len(lines) > LONGEST:
        lines = [*lines[: LONGEST - 1], "..."]
    return "\n".join(lines)


def walked(block: str) -> str:
    """A block with what its commands print now."""
    return "".join(f"$ {c}\n{printed(c)}\n" for c in commands(block))


def main() -> None:
    """Write the walk anew."""
    text = README.read_text(encoding="utf-8")
    with place():
        text = _BLOCK.sub(lambda m: walked(m[0]), text)
    README.write_text(text, encoding="utf-8")
    sys.stdout.write(f"{len(blocks(text))} blocks written\n")


if __name__ == "__main__":
    main()
