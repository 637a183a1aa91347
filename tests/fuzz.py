"""Throw anything at every reader: a right answer or one clear sentence, soon and in bounds.

Coverage-guided with atheris where it is installed:
``pip install atheris && python tests/fuzz.py priors --runs 100000``. Without it the same
targets get seeded random changes of good files (also what the normal tests run, for a while).
"""

from __future__ import annotations

import argparse
import contextlib
import random
import resource
import sys
import tempfile
import time
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path

ROOT = Path(__file__).parents[1]
DATA = ROOT / "tests" / "data" / "fuzz"
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

        with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
            path = Path(folder) / f"jobs{suffix}"
            path.write_bytes(data)
            with known():
                read_jobs(chunks_of(path), load_learning(), skip_bad=True)

    return read


def jobs(data: bytes) -> None:
    """Exported jobs."""
    from benchodds.keep.archive import read

    with known():
        list(read(text_of(data).split("\n")))


def network(data: bytes) -> None:
    """Network files of other tools."""
    from benchodds.infer.bif import read_bif

    with known():
        read_bif(text_of(data))


def store(data: bytes) -> None:
    """Job stores."""
    from benchodds.keep.store import Store

    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        path = Path(folder) / "jobs.sqlite"
        path.write_bytes(data)
        with known(), Store.open(path, create=False, wait_s=0.1) as opened:
            opened.snapshot()


@contextlib.contextmanager
def known() -> Iterator[None]:
    """Only the project's own errors, which are one sentence or more, may come out."""
    from benchodds.basics.errors import BenchoddsError

    try:
        yield
    except BenchoddsError as error:
        assert str(error).strip()


def seeds() -> dict[str, list[bytes]]:
    """Good inputs of every kind, to begin with."""
    from benchodds.keep import archive
    from benchodds.keep.store import Store
    from benchodds.model.jobs import fold, open_event

    opened = open_event(
        at="2031-01-01T00:00:00Z",
        uid="a",
        system="mag-cdi",
        variant="early",
        complaint="no-spark",
        contexts=[],
        model_version="1",
        prior_set="p",
        prior_version="1",
    )
    with tempfile.TemporaryDirectory() as folder:
        with Store.open(Path(folder) / "jobs.sqlite") as made:
            made.new_job(opened)
        kept = (Path(folder) / "jobs.sqlite").read_bytes()
    words = "14|0.3 ohm|4.7k|4k7|R47|112 V|OL|OL@200|unstable 3..40|none 0/10|0,8%+3|20k/V"
    return {
        "readings": [w.encode() for w in words.split("|")],
        "model": [small_model()],
        "priors": [(ROOT / "priors" / "starter.toml").read_bytes()],
        "bench": [(ROOT / "models" / "bench.toml").read_bytes()],
        "card": [p.read_bytes() for p in (ROOT / "demo" / "instruments").glob("*.toml")],
        "shop": [p.read_bytes() for p in (ROOT / "priors" / "shop").glob("*.toml")],
        "csv": [(DATA / "jobs.csv").read_bytes()],
        "jsonl": [(DATA / "jobs.jsonl").read_bytes()],
        "jobs": ["\n".join(archive.write([fold("1", [opened])])).encode()],
        "network": [(DATA / "network.bifxml").read_bytes()],
        "store": [kept],
    }


def small_model() -> bytes:
    """The starting file of a new system."""
    text = (ROOT / "src" / "benchodds" / "templates" / "new" / "model.toml").read_text("utf-8")
    return text.replace("@NAME@", "mine").encode()


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
