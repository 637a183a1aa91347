"""Find and read model and prior files; every error names the file."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from benchodds.basics.digest import digest
from benchodds.basics.errors import FileError, ModelError, UnknownNameError, nearest
from benchodds.basics.forms import Form, as_data, from_data
from benchodds.basics.language import _
from benchodds.basics.tomlines import key_lines, line_of, split_key
from benchodds.keep.inputs import text_of
from benchodds.keep.kept import content_key, plain
from benchodds.model.follow import Followed
from benchodds.model.gear import Bench, build_bench
from benchodds.model.join import JoinedModel, join
from benchodds.model.joinnames import PLUS
from benchodds.model.joinpriors import join_priors
from benchodds.model.overlay import overlaid
from benchodds.model.priors import PriorSet, build_priors
from benchodds.model.system import SystemModel, build_system

MAX_BYTES = 2_000_000
PACKAGE = Path(__file__).resolve().parents[1]
T = TypeVar("T")
M = TypeVar("M", bound=Form)
FOLDER_VARIABLE = "BENCHODDS_FOLDER"
UNDONE = "undone"
"""Folder, beside tuned prior sets, of those that are no longer used for new jobs."""


def data_folder(kind: str) -> Path:
    """Where shipped ``models``, ``priors`` or ``demo`` files are: in the wheel, or the checkout."""
    inside = PACKAGE / "data" / kind
    if inside.is_dir():
        return inside
    beside = PACKAGE.parents[1] / kind
    if beside.is_dir():
        return beside
    raise ModelError(
        _("the shipped {kind} are missing beside {package}; reinstall").format(
            kind=kind, package=PACKAGE
        )
    )


def own_places(kind: str) -> list[Path]:
    """Where the user's own files of a kind may be: environment, then user data."""
    from platformdirs import user_data_path

    own = os.environ.get(FOLDER_VARIABLE)
    places = [Path(own) / kind] if own else []
    return [*places, user_data_path("benchodds", appauthor=False) / kind]


def folders(kind: str) -> list[Path]:
    """The user's own folders of models or priors that there are, then the shipped one."""
    return [p for p in (*own_places(kind), data_folder(kind)) if p.is_dir()]


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
    for folder in folders(kind):
        if (kept := folder / UNDONE / f"{name}.toml").is_file() and Path(name).name == name:
            return kept
    what = _("system") if kind == "models" else _("prior set")
    names = [n for n in known if n != "bench"]
    raise UnknownNameError(
        _("'{name}' is not a {what} known here{hint}").format(
            name=name, what=what, hint=nearest(name, names)
        )
    )


def default_priors(system: str) -> str:
    """The prior set that new jobs of a system begin with: the newest tuned one, or its own."""
    if PLUS in system:
        return PLUS.join(default_priors(part) for part in system.split(PLUS))
    found: dict[int, str] = {}
    for name in available("priors"):
        _, tuned, number = name.rpartition(f"{system}-tuned-")
        if tuned and name.startswith(system) and number.isdigit():
            found[int(number)] = name
    if found:
        return found[max(found)]
    base = "" if system in available("priors") else base_of(system)
    return default_priors(base) if base else system


def find_beside(place: str, name: str) -> Path:
    """A named file in a folder beside the prior sets, such as ``shop``; the user's own go first.

    A path with a suffix stands for itself.
    """
    if name.endswith(".toml"):
        return Path(name)
    known: dict[str, Path] = {}
    for folder in folders("priors"):
        for path in sorted((folder / place).glob("*.toml")):
            known.setdefault(path.stem, path)
    if name in known:
        return known[name]
    raise UnknownNameError(
        _("'{name}' is not a {place} known here{hint}").format(
            name=name, place=place, hint=nearest(name, known)
        )
    )


def load(path: Path, build: Callable[[Mapping[str, Any]], T]) -> T:
    """Read and check a file; errors carry file and line."""
    return _built(path, _text(path), build)


def _built(
    path: Path, text: str, build: Callable[[Mapping[str, Any]], T], variant: str | None = None
) -> T:
    raw = _parsed(path, text)
    try:
        return build(raw)
    except ModelError as error:
        raise located(path, error, variant or raw.get("default_variant")) from None


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
    return _parsed(path, _text(path))


def _text(path: Path) -> str:
    """The text of a file of ours; ModelError when there is none."""
    if os.path.lexists(path) and not path.is_file():
        raise ModelError(f"{path}: " + _("is not a plain file"))
    try:
        return text_of(path, MAX_BYTES)
    except FileError as error:
        raise ModelError(str(error)) from None


def _parsed(path: Path, text: str) -> dict[str, Any]:
    import tomllib  # what was read before is not parsed again

    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ModelError(f"{path}: " + _("not valid TOML: {error}").format(error=error)) from None
    except ValueError:  # what Python itself says of a number of thousands of digits
        raise ModelError(f"{path}: " + _("holds a number of too many digits")) from None
    except RecursionError:
        raise ModelError(f"{path}: " + _("nested too deeply")) from None


def read_model(path: Path) -> dict[str, Any]:
    """Parse a model file, an overlay laid over its base; errors carry file and line."""
    return read_overlay(path)[0]


def read_overlay(path: Path) -> tuple[dict[str, Any], tuple[Followed, ...]]:
    """The same, with what follows from the limits that an overlay states."""
    raw = read_toml(path)
    try:
        return laid(raw, path)
    except ModelError as error:
        raise located(path, error) from None


def laid(raw: dict[str, Any], path: Path) -> tuple[dict[str, Any], tuple[Followed, ...]]:
    """A parsed model file, laid over its base where it names one; mistakes have no file yet."""
    if "base" not in raw:
        return raw, ()
    if PLUS in path.stem:
        raise ModelError(
            "id: "
            + _("'{plus}' joins systems; call the file, and the system, {other}").format(
                plus=PLUS, other=path.stem.replace(PLUS, "-")
            )
        )
    if raw.get("id", path.stem) != path.stem:
        raise ModelError(
            "id: "
            + _("'{id}' is not the name of the file; write '{stem}', or rename the file").format(
                id=raw["id"], stem=path.stem
            )
        )
    return overlaid(raw, read_toml(base_file(raw)))


def base_file(raw: Mapping[str, Any]) -> Path:
    """The file of an overlay's base."""
    name = raw["base"]
    if (
        not isinstance(name, str)
        or name in ("", raw.get("id"))
        or not available("models").get(name)
    ):
        known = [n for n in available("models") if n != raw.get("id")]
        raise ModelError(
            "base: "
            + _("'{name}' is not another system known here{hint}").format(
                name=name, hint=nearest(str(name), known)
            )
        )
    return find("models", name)


def base_of(system: str) -> str:
    """The system that a known overlay was made from; empty for a whole one."""
    path = available("models").get(system)
    return str(read_toml(path).get("base", "")) if path else ""


def locate(
    text: str, problems: Iterable[str], variant: str | None = None
) -> list[tuple[int | None, str, str]]:
    """Line, key and message of each mistake 'key: message' in the text of a file."""
    lines = key_lines(text)
    out = []
    for problem in problems:
        parts, rest = split_key(problem)
        known = rest.startswith(":") and parts
        line = line_of(lines, parts, variant) if known else None
        key = problem[: len(problem) - len(rest)].strip() if known else ""
        out.append((line, key, rest[1:].strip() if known else problem))
    return out


def located(path: Path, error: ModelError, variant: str | None = None) -> ModelError:
    """The error with file and line before each mistake 'key: message'."""
    try:
        text = text_of(path, MAX_BYTES)
    except FileError:
        text = ""
    lines = []
    for line, key, message in locate(text, str(error).splitlines(), variant):
        lines.append(f"{path}{f':{line}' if line else ''}: {f'{key}: ' if key else ''}{message}")
    return ModelError("\n".join(lines))


def load_system(name: str, variant: str | None = None) -> SystemModel:
    """Read and check a system model; errors carry file and line.

    'tci+charging' is two systems joined; their variants may be joined likewise, or one be named
    for whichever has it.
    """
    if PLUS in name and name not in available("models"):
        return _joined(name.split(PLUS), variant)
    path = find("models", name)
    build = _sealed(partial(build_system, variant=variant))
    return kept(
        SystemModel, path, lambda raw: build(laid(dict(raw), path)[0]), variant, _base_text(path)
    )


def _base_text(path: Path) -> str:
    """The text of the file that an overlay is laid over; empty for a whole one."""
    if not re.search(r"(?m)^\s*[\"']?base\b", _text(path).partition("\n[")[0]):
        return ""
    with suppress(ModelError, KeyError):  # a mistake is told when it is built
        return _text(base_file(read_toml(path)))
    return ""


def _joined(names: Sequence[str], variant: str | None) -> JoinedModel:
    """Several systems as one, each in the variant that is meant for it."""
    words = variant.split(PLUS) if variant else []
    known = [list(load_system(n).variants) for n in names]
    for word in words:
        if not any(word in own for own in known):
            every = [v for own in known for v in own]
            raise UnknownNameError(
                _("'{word}' is not a variant here{hint}").format(
                    word=word, hint=nearest(word, every)
                )
            )
    fitting = len(words) == len(names) and all(w in k for w, k in zip(words, known, strict=True))
    chosen = words if fitting else [next((w for w in words if w in k), None) for k in known]
    return join([load_system(n, v) for n, v in zip(names, chosen, strict=True)])


def load_bench(name: str) -> Bench:
    """Read and check a bench file."""
    return kept(Bench, find("models", name), _sealed(build_bench))


def load_priors(name: str) -> PriorSet:
    """Read and check a prior set; 'tci+charging' are two of them.

    Under the name of an overlay that has none of its own it is that of its base.
    """
    if PLUS in name:
        return join_priors([load_priors(n) for n in name.split(PLUS)])
    if name not in available("priors") and (base := base_of(name)):
        return load_priors(base).model_copy(update={"id": name, "system": name})
    return kept(PriorSet, find("priors", name), _sealed(build_priors))


def kept(
    cls: type[M],
    path: Path,
    build: Callable[[Mapping[str, Any]], M],
    variant: str | None = None,
    under: str = "",
) -> M:
    """What a file is built into; read and checked once, until any byte of it changes.

    ``under`` is what an overlay is laid over, a byte of which counts likewise.
    """
    text = _text(path)
    made: M = plain(
        content_key(cls.__name__, variant, text, *([path.stem, under] if under else [])),
        lambda: _built(path, text, build, variant),
        as_data,
        lambda data: from_data(cls, data),
    )
    return made


def _sealed(build: Callable[[Mapping[str, Any]], M]) -> Callable[[Mapping[str, Any]], M]:
    """The same with the hash of the file's content; comments are not content."""
    return lambda raw: build(raw).model_copy(update={"digest": digest(raw)})
