"""What commands import: none pays for a library that it does not use. Timings are in benchmarks."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

PROBE = """
import json, sys
from benchodds.cli.main import main
try:
    main(sys.argv[1:])
except SystemExit as end:
    assert not end.code, end.code
finally:
    print(json.dumps(sorted(sys.modules)), file=sys.stderr)
"""

NEVER = ("scipy.stats", "scipy.optimize", "scipy.integrate", "matplotlib", "pgmpy", "pint")
NEVER += ("jinja2", "starlette", "uvicorn", "prompt_toolkit", "psycopg", "sqlalchemy", "tomli_w")
CHECKING = ("pydantic", "tomllib", "benchodds.basics.validation", "benchodds.model.systemcheck")
"""What reads and checks files: none is needed for a file that was read before."""
NUMBERS = ("numpy", "scipy")
INFERENCE = ("benchodds.infer", "benchodds.choose", "benchodds.reasons", "benchodds.measure")

RECORDS = (*NEVER, *CHECKING, *NUMBERS, *INFERENCE, "benchodds.keep.files")
MODELS = (*NEVER, *CHECKING, *INFERENCE, "scipy.special")
ANSWERS = (*NEVER, *CHECKING, "scipy.special")


def imported(*args: str) -> set[str]:
    """All modules that a command has loaded when it ends."""
    done = subprocess.run(
        [sys.executable, "-c", PROBE, *args], capture_output=True, text=True, env={**os.environ}
    )
    assert done.returncode == 0, done.stderr
    return set(json.loads(done.stderr.splitlines()[-1]))


COMMANDS: tuple[tuple[tuple[str, ...], tuple[str, ...]], ...] = (
    (("--help",), RECORDS),
    (("systems",), MODELS),
    (("systems", "mag-cdi"), MODELS),
    (("open", "--system", "mag-cdi", "--complaint", "no-spark", "--name", "job-{n}"), MODELS),
    (("jobs",), RECORDS),
    (("show", "start"), RECORDS),
    (("strike", "start", "R{n}", "--reason", "a try"), RECORDS),
    (("record", "start", "rexc", "14"), ANSWERS),
    (("odds", "start"), ANSWERS),
    (("next", "start"), ANSWERS),
    (("why", "start"), (*NEVER, *CHECKING)),  # a limit asks for Student's law
    (("done", "start", "new-plug"), ANSWERS),
)


def test_no_command_pays_for_what_it_does_not_use(tmp_path: Path) -> None:
    """Once everything was read and worked out, each command loads what it works with alone."""
    where = ("--store", str(tmp_path / "jobs.sqlite"))

    def run(command: tuple[str, ...], n: int) -> set[str]:
        words = tuple(word.format(n=n) for word in command)
        return imported(*words, *(() if words[0] in ("--help", "systems") else where))

    opened = ("open", "--system", "mag-cdi", "--complaint", "no-spark", "--name", "start")
    run(opened, 0)
    for _ in range(2):
        run(("record", "start", "rexc", "14"), 0)
    found = {}
    for command, without in COMMANDS:
        for n in (1, 2):  # what was not kept yet is from the first time on
            heavy = sorted(run(command, n).intersection(without))
            if not heavy:
                break
        else:
            found[" ".join(command)] = heavy
    assert not found
