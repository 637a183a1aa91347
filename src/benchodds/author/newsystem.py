"""Begin a system of one's own: a commented model and its priors, written where they are found."""

from __future__ import annotations

import os
import re
from importlib import resources
from pathlib import Path

from benchodds.basics.errors import ModelError
from benchodds.basics.language import _
from benchodds.keep.files import FOLDER_VARIABLE
from benchodds.keep.outputs import free, write

_NAME = re.compile(r"[a-z][a-z0-9-]{0,39}")


def starting_files(name: str) -> dict[str, str]:
    """Text of the model and the prior file of a small working system, by folder.

    Raises
    ------
    ModelError
        The name cannot be that of a system.
    """
    if not _NAME.fullmatch(name) or name == "bench":
        raise ModelError(
            _(
                "'{name}' cannot name a system; begin with a small letter, go on with small "
                "letters, digits and -, such as my-lamp"
            ).format(name=name)
        )
    folder = resources.files("benchodds") / "templates" / "new"
    return {
        f"{kind}s" if kind == "model" else kind: (folder / f"{kind}.toml")
        .read_text(encoding="utf-8")
        .replace("@NAME@", name)
        for kind in ("model", "priors")
    }


def own_folder() -> Path:
    """The user's own folder of models and priors: BENCHODDS_FOLDER, else the user data folder."""
    from platformdirs import user_data_path

    said = os.environ.get(FOLDER_VARIABLE)
    return Path(said) if said else user_data_path("benchodds", appauthor=False)


def write_new(name: str, folder: Path, overwrite: bool = False) -> list[Path]:
    """Write both files below a folder, or none.

    Raises
    ------
    ModelError
        The name is no name.
    FileError
        A file is there already, or it cannot be written.
    """
    texts = starting_files(name)
    paths = [folder / kind / f"{name}.toml" for kind in texts]
    for path in paths:
        free(path, overwrite)
    for path, text in zip(paths, texts.values(), strict=True):
        write(path, [text], overwrite, folders=True)
    return paths


def tutorial() -> str:
    """The tutorial, as Markdown."""
    return (resources.files("benchodds") / "tutorial.md").read_text(encoding="utf-8")
