"""Find and read model and prior files; every error names the file."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from benchodds.errors import ModelError, UnknownNameError, nearest
from benchodds.gear import Bench, build_bench
from benchodds.priors import PriorSet, build_priors
from benchodds.system import SystemModel, build_system

MAX_BYTES = 2_000_000
FOLDER_VARIABLE = "BENCHODDS_FOLDER"


def data_folder(kind: str) -> Path:
    """Where shipped ``models``, ``priors`` or ``demo`` files are: in the wheel, or the checkout."""
    inside = Path(__file__).parent / "data" / kind
    if inside.is_dir():
        return inside
    beside = Path(__file__).resolve().parents[2] / kind
    if beside.is_dir():
        return beside
    raise ModelError(f"the shipped {kind} are missing beside {Path(__file__).parent}; reinstall")


def folders(kind: str) -> list[Path]:
    """The user's own folder of models or priors (environment, then user data), then the shipped."""
    from platformdirs import user_data_path

    own = os.environ.get(FOLDER_VARIABLE)
    places = [Path(own) / kind] if own else []
    places += [user_data_path("benchodds", appauthor=False) / kind, data_folder(kind)]
    return [p for p in places if p.is_dir()]


def find(kind: str, name: str) -> Path:
    """The file of a named model or prior set; a path with a suffix stands for itself."""
    if name.endswith(".toml"):
        return Path(name)
    known: dict[str, Path] = {}
    for folder in folders(kind):
        for path in sorted(folder.glob("*.toml")):
            known.setdefault(path.stem, path)
    if name in known:
        return known[name]
    what = "system" if kind == "models" else "prior set"
    names = [n for n in known if n != "bench"]
    raise UnknownNameError(f"'{name}' is not a {what} known here{nearest(name, names)}")


def available(kind: str) -> dict[str, Path]:
    """All models or prior sets by name; the user's own hide shipped ones of the same name."""
    known: dict[str, Path] = {}
    for folder in folders(kind):
        for path in sorted(folder.glob("*.toml")):
            if path.stem != "bench":
                known.setdefault(path.stem, path)
    return dict(sorted(known.items()))


def read_toml(path: Path) -> dict[str, Any]:
    """Parse a TOML file; ModelError with file and line when it cannot be."""
    try:
        size = path.stat().st_size
        if size > MAX_BYTES:
            raise ModelError(f"{path}: {size:,} bytes; at most {MAX_BYTES:,} are read")
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as error:
        raise ModelError(f"{path}: not valid TOML: {error}") from None
    except UnicodeDecodeError:
        raise ModelError(f"{path}: not a text file in UTF-8") from None
    except RecursionError:
        raise ModelError(f"{path}: nested too deeply") from None
    except OSError as error:
        raise ModelError(f"{path}: cannot be read ({error.strerror})") from None


def line_of(text: str, key: str) -> int | None:
    """Line (from 1) where a dotted key, or its nearest table, stands in a TOML text."""
    parts = key.split(":")[0].strip().split(".")
    lines = text.splitlines()
    best: int | None = None
    for depth in range(len(parts), 0, -1):
        header = re.compile(
            r"^\s*\[+\s*" + r"\s*\.\s*".join(map(_loose, parts[:depth])) + r"\s*\]+"
        )
        start = next((i for i, s in enumerate(lines) if header.match(s)), None)
        if start is None:
            continue
        best = start + 1
        rest = parts[depth:]
        if rest:
            entry = re.compile(r"^\s*" + _loose(rest[0]) + r"\s*[.=]")
            for i in range(start + 1, len(lines)):
                if lines[i].lstrip().startswith("["):
                    break
                if entry.match(lines[i]):
                    return i + 1
        return best
    entry = re.compile(r"^\s*" + _loose(parts[0]) + r"\s*[.=]")
    return next((i + 1 for i, s in enumerate(lines) if entry.match(s)), best)


def _loose(part: str) -> str:
    return r"[\"']?" + re.escape(part.strip("'\"")) + r"[\"']?"


def _located(path: Path, error: ModelError) -> ModelError:
    try:
        text = path.read_text(encoding="utf-8")
    except OSError:
        text = ""
    lines = []
    for problem in str(error).splitlines():
        line = line_of(text, problem)
        lines.append(f"{path}{f':{line}' if line else ''}: {problem}")
    return ModelError("\n".join(lines))


def load_system(name: str, variant: str | None = None) -> SystemModel:
    """Read and check a system model; errors carry file and line."""
    path = find("models", name)
    raw = read_toml(path)
    try:
        return build_system(raw, variant)
    except ModelError as error:
        raise _located(path, error) from None


def load_bench(name: str) -> Bench:
    """Read and check a bench file."""
    path = find("models", name)
    try:
        return build_bench(read_toml(path))
    except ModelError as error:
        raise _located(path, error) from None


def load_priors(name: str) -> PriorSet:
    """Read and check a prior set."""
    path = find("priors", name)
    raw: Mapping[str, Any] = read_toml(path)
    try:
        return build_priors(raw)
    except ModelError as error:
        raise _located(path, error) from None
