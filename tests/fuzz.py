"""Throw anything at every reader: a right answer or one clear sentence, soon and in bounds.

Coverage-guided with atheris where it is installed:
``pip install atheris && python tests/fuzz.py priors --runs 100000``. Without it the same
targets get seeded random changes of good files (also what the normal tests run, for a while).
"""

from __future__ import annotations

import argparse
import contextlib
import json
import random
import resource
import sys
import tempfile
import time
import tomllib
from collections.abc import Callable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

from fuzz_seeds import ROOT, seeds, small_model, small_priors
from made_jobs import job_of

SLOWEST_S = 5.0
MOST_MB = 2048


@contextlib.contextmanager
def instrumented() -> Iterator[object | None]:
    """Import the project so that its coverage is seen, where atheris is installed."""
    try:
        import atheris
    except ImportError:
        yield None
        return
    with atheris.instrument_imports(include=["benchodds"]):
        import benchodds.basics.quantities
        import benchodds.choose.shop
        import benchodds.infer.exchange
        import benchodds.keep.archive
        import benchodds.learn.casebook
        import benchodds.learn.cases
        import benchodds.model.cards
        import benchodds.model.priors
        import benchodds.model.system  # noqa: F401
    yield atheris


def text_of(data: bytes) -> str:
    """Bytes as text, whatever they are."""
    return data.decode("utf-8", errors="replace")


def readings(data: bytes) -> None:
    """What is typed for a reading, an accuracy, an impedance, a quantity."""
    from benchodds.basics.meterdata import parse_accuracy, parse_impedance
    from benchodds.basics.quantities import Expect, parse_value, to_base

    text = text_of(data)
    for unit in ("ohm", "V", ""):
        with known():
            value = parse_value(text, Expect("vexc", unit))
            assert value.number is None or abs(value.number) < float("inf")
    for parse in (parse_accuracy, parse_impedance):
        with known():
            parse(text)
    with known():
        to_base(text, "V")


def formula(data: bytes) -> None:
    """Formulas of quantities and their laws: whatever is parsed can be worked out."""
    import numpy as np

    from benchodds.basics.distributions import parse_distribution
    from benchodds.basics.formula import parse_expression

    with known():
        parsed = parse_expression(text_of(data))
        parsed(dict.fromkeys(parsed.names, np.array([-1.0, 0.0, 1.0, np.inf])))
    with known():
        parse_distribution(text_of(data), "V").points(9)


@lru_cache(maxsize=1)
def machine() -> tuple[Any, Any]:
    """A machine, and a job on it that is open."""
    from benchodds.infer.assess import Machine
    from benchodds.infer.network import physics
    from benchodds.keep import files
    from benchodds.model.priors import build_priors
    from benchodds.model.system import build_system

    built = build_system(tomllib.loads(small_model().decode()), None)
    kept = files.load_bench("bench")
    shares = build_priors(tomllib.loads(small_priors()))
    made = Machine(built, kept, shares, *physics(built, kept))
    return made, job_of(made, [])


def sheet(data: bytes) -> None:
    """Sheets of readings, and lines typed at the bench."""
    from benchodds.keep.inputs import decoded
    from benchodds.screens.commands import Noted, make_technique, parse_sheet_line

    made, job = machine()
    with known():
        for line in decoded(data).splitlines():
            with known(), contextlib.suppress(ValueError):
                row = parse_sheet_line(made, line)
                noted = Noted(row.test, row.values, make_technique(row.technique))
                noted.event(job, "2031-01-01T00:00:00Z", "u")


def text(data: bytes) -> None:
    """Any text: what is let in can be shown, written and read back."""
    from benchodds.basics.text import shown, written

    for way in ("surrogateescape", "replace", "surrogatepass"):
        with contextlib.suppress(UnicodeDecodeError):
            said = data.decode("utf-8", way)
            assert (shown(said).encode("utf-8") and "\x1b" not in shown(said)) or not said
            with known():
                kept = written(said)
                assert written(kept) == kept == shown(kept)


def mapping(data: bytes) -> None:
    """Mapping files of lists in other words, and the lists."""
    from benchodds.keep import files

    with scratch("ours.toml", data) as path, known():
        raw = files.read_toml(path)
        bring_in(raw, ROOT / "demo" / "import" / "list.csv")


def their_list(data: bytes) -> None:
    """Lists of jobs in other words."""
    raw = tomllib.loads((ROOT / "demo" / "import" / "ours.toml").read_text("utf-8"))
    with scratch("list.csv", data) as path, known():
        bring_in(raw, path)


def bring_in(raw: dict[str, Any], source: Path) -> None:
    """Translate a list by a mapping."""
    from benchodds.learn.casebook import catalog
    from benchodds.learn.cases import CaseMaker
    from benchodds.learn.importing import Imported, Layout, translate
    from benchodds.learn.learning import checked
    from benchodds.learn.rows import records
    from benchodds.learn.tuning_files import load_learning

    account = Imported()
    maker = CaseMaker(catalog, load_learning())
    for row in translate(records(source), checked(Layout, raw), maker, account):
        json.dumps(row)
    account.text(source, source, 9)


@contextlib.contextmanager
def scratch(name: str, data: bytes) -> Iterator[Path]:
    """A file in memory."""
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        path = Path(folder) / name
        path.write_bytes(data)
        yield path


def check(data: bytes) -> None:
    """The whole check of a model file, report and all."""
    from benchodds.author import checkreport
    from benchodds.author.modelcheck import check as checked

    with scratch("mine.toml", data) as path:
        (path.parent / "models").mkdir()
        (path.parent / "priors").mkdir()
        model = path.rename(path.parent / "models" / "mine.toml")
        (path.parent / "priors" / "mine.toml").write_text(small_priors(), "utf-8")
        with known():
            found = checked(str(model))
            assert checkreport.text(found, None) and checkreport.to_dict(found)


def toml(build: Callable[[dict[str, object]], object]) -> Callable[[bytes], None]:
    """A reader of TOML files."""

    def read(data: bytes) -> None:
        with contextlib.suppress(tomllib.TOMLDecodeError, RecursionError):
            raw = tomllib.loads(text_of(data))
            with known():
                build(raw)

    return read


def model(data: bytes) -> None:
    """Model files."""
    from benchodds.model.system import build_system

    toml(lambda raw: build_system(raw, None))(data)


def priors(data: bytes) -> None:
    """Prior files."""
    from benchodds.model.priors import build_priors

    toml(build_priors)(data)


def bench(data: bytes) -> None:
    """Bench files."""
    from benchodds.model.gear import build_bench

    toml(build_bench)(data)


def card(data: bytes) -> None:
    """Cards of instruments."""
    from benchodds.model.cards import build_card

    toml(build_card)(data)


def shop(data: bytes) -> None:
    """Shop files."""
    from benchodds.choose.shop import build_shop

    toml(build_shop)(data)


def rows(suffix: str) -> Callable[[bytes], None]:
    """Files of past jobs."""

    def read(data: bytes) -> None:
        from benchodds.learn.casebook import chunks_of, read_jobs
        from benchodds.learn.tuning_files import load_learning

        with scratch(f"jobs{suffix}", data) as path, known():
            read_jobs(chunks_of(path), load_learning(), skip_bad=True)

    return read


def jobs(data: bytes) -> None:
    """Exported jobs: what is read can be shown and written again."""
    from benchodds.keep.archive import read, write
    from benchodds.screens import render, shapes

    with known():
        for found in read(text_of(data).split("\n")):
            job = found.job
            assert render.record(job) and json.dumps(shapes.job_record(job))
            assert [f.events for f in read(write([job]))] == [found.events]


def network(data: bytes) -> None:
    """Network files of other tools."""
    from benchodds.infer.bif import read_bif

    with known():
        read_bif(text_of(data))


def store(data: bytes) -> None:
    """Job stores."""
    from benchodds.keep.store import Store

    with (
        scratch("jobs.sqlite", data) as path,
        known(),
        Store.open(path, create=False, wait_s=0.1) as opened,
    ):
        opened.snapshot()


@contextlib.contextmanager
def known() -> Iterator[None]:
    """Only the project's own errors, which are one sentence or more, may come out."""
    from benchodds.basics.errors import BenchoddsError

    try:
        yield
    except BenchoddsError as error:
        assert str(error).strip()


TARGETS: dict[str, Callable[[bytes], None]] = {
    "readings": readings,
    "model": model,
    "priors": priors,
    "bench": bench,
    "card": card,
    "shop": shop,
    "csv": rows(".csv"),
    "jsonl": rows(".jsonl"),
    "jobs": jobs,
    "formula": formula,
    "sheet": sheet,
    "text": text,
    "mapping": mapping,
    "list": their_list,
    "check": check,
    "network": network,
    "store": store,
}


def changed(rng: random.Random, good: list[bytes]) -> bytes:
    """A good input with a few pieces cut, doubled, swapped or replaced."""
    data = bytearray(rng.choice(good))
    for _ in range(rng.randint(1, 6)):
        at = rng.randrange(len(data) + 1)
        end = min(len(data), at + rng.choice((1, 2, 8, 40)))
        match rng.randrange(6):
            case 0:
                del data[at:end]
            case 1:
                data[at:at] = rng.randbytes(rng.randint(1, 8))
            case 2:
                data[at:at] = data[at:end] * rng.randint(1, 20)
            case 3:
                data[at:end] = rng.choice(
                    (b"1e999", b"-1", b"nan", b'""', b"[" * 300, b"\x00", b"{}", b"9" * 400, b"\n")
                )
            case 4:
                other = rng.choice(good)
                start = rng.randrange(len(other) + 1)
                data[at:end] = other[start : start + 60]
            case _:
                if at < len(data):
                    data[at] ^= 1 << rng.randrange(8)
    return bytes(data)


def shake(name: str, runs: int, seed: int) -> tuple[int, float, float]:
    """Random changes of good inputs; returns how many, the slowest in s, memory in MB."""
    rng, good, slowest = random.Random(seed), seeds()[name], 0.0
    TARGETS[name](good[0])  # imports are not counted
    for n in range(runs):
        data = changed(rng, good) if n else good[0]
        started = time.perf_counter()
        try:
            TARGETS[name](data)
        except Exception as error:
            raise AssertionError(f"{name}: {data[:3000]!r}") from error
        slowest = max(slowest, time.perf_counter() - started)
    return runs, slowest, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3


def main() -> None:
    """Fuzz one reader, or all one after another without coverage."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("target", choices=[*TARGETS, "all"])
    parser.add_argument("--runs", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    said = parser.parse_args()
    with instrumented() as atheris:
        if atheris is None or said.target == "all":
            for name in TARGETS if said.target == "all" else [said.target]:
                n, slowest, memory = shake(name, said.runs, said.seed)
                print(
                    f"{name}: {n} inputs, slowest {slowest:.3f} s, memory {memory:.0f} MB",
                    flush=True,
                )
            return
        with tempfile.TemporaryDirectory() as corpus:
            for i, data in enumerate(seeds()[said.target]):
                (Path(corpus) / str(i)).write_bytes(data)
            options = [f"-runs={said.runs}", f"-seed={said.seed}", f"-rss_limit_mb={MOST_MB}"]
            options += [
                f"-timeout={SLOWEST_S:.0f}",
                "-max_len=40000",
                "-print_final_stats=1",
                corpus,
            ]
            atheris.Setup([sys.argv[0], *options], TARGETS[said.target])  # type: ignore[attr-defined]
            atheris.Fuzz()  # type: ignore[attr-defined]


if __name__ == "__main__":
    main()
