"""Find and read the shop file; the user's own hides the shipped one of the same name."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from benchodds.basics.errors import ModelError, UnknownNameError, nearest
from benchodds.choose.shop import Shop, build_shop
from benchodds.keep.files import folders, read_toml

PLACE = "shop"
"""Folder of shop files beside the prior sets."""


def find_shop(name: str) -> Path:
    """The file of a named shop; a path with a suffix stands for itself."""
    if name.endswith(".toml"):
        return Path(name)
    known: dict[str, Path] = {}
    for folder in folders("priors"):
        for path in sorted((folder / PLACE).glob("*.toml")):
            known.setdefault(path.stem, path)
    if name in known:
        return known[name]
    raise UnknownNameError(f"'{name}' is not a shop known here{nearest(name, known)}")


def load_shop(name: str = "shop") -> Shop:
    """Read and check a shop file; errors name the file."""
    return _load(find_shop(name))


@lru_cache(maxsize=8)
def _load(path: Path) -> Shop:
    try:
        return build_shop(read_toml(path))
    except ModelError as error:
        text = "\n".join(
            line if line.startswith(str(path)) else f"{path}: {line}"
            for line in str(error).splitlines()
        )
        raise ModelError(text) from None
