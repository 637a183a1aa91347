"""Find and read the shop file; the user's own hides the shipped one of the same name."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from benchodds.choose.shop import Shop, build_shop
from benchodds.keep import files

PLACE = "shop"
"""Folder of shop files beside the prior sets."""


def find_shop(name: str) -> Path:
    """The file of a named shop; a path with a suffix stands for itself."""
    return files.find_beside(PLACE, name)


def load_shop(name: str = "shop") -> Shop:
    """Read and check a shop file; errors name the file."""
    return _load(find_shop(name))


@lru_cache(maxsize=8)
def _load(path: Path) -> Shop:
    return files.kept(Shop, path, build_shop)
