"""Begin a system of one's own: a commented model and its priors, written where they are found."""

from __future__ import annotations

import os
import re
import tomllib
from importlib import resources
from pathlib import Path

from benchodds.author.ownmachine import Answers, questions
from benchodds.author.sheet import overlay_entries, overlay_text
from benchodds.basics.errors import ModelError
from benchodds.basics.language import _
from benchodds.keep import files
from benchodds.keep.files import FOLDER_VARIABLE
from benchodds.keep.outputs import free, write
from benchodds.model.overlay import overlaid
from benchodds.model.system import build_system

_NAME = re.compile(r"[a-z][a-z0-9-]{0,39}")


def starting_files(name: str) -> dict[str, str]:
    """Text of the model and the prior file of a small working system, by folder.

    Raises
    ------
    ModelError
        The name cannot be that of a system.
    """
    _named(name)
    folder = resources.files("benchodds") / "templates" / "new"
    return {
        f"{kind}s" if kind == "model" else kind: (folder / f"{kind}.toml")
        .read_text(encoding="utf-8")
        .replace("@NAME@", name)
        for kind in ("model", "priors")
    }


def _named(name: str) -> None:
    if not _NAME.fullmatch(name) or name == "bench":
        raise ModelError(
            _(
                "'{name}' cannot name a system; begin with a small letter, go on with small "
                "letters, digits and -, such as my-lamp"
            ).format(name=name)
        )


def place_of_own(name: str, base: str, folder: Path, overwrite: bool = False) -> Path:
    """Where the overlay of that name is written.

    Raises
    ------
    ModelError
        The name is none, or that of a system that there is elsewhere.
    FileError
        A file is there already.
    """
    _named(name)
    path = folder / "models" / f"{name}.toml"
    known = files.available("models").get(name)
    if name == base or (known and known.resolve() != path.resolve()):
        raise ModelError(
            _("'{name}' is a system already; give yours another name, such as {other}").format(
                name=name, other=f"{base}-ours"
            )
        )
    free(path, overwrite)
    return path


def write_own(
    path: Path, base: str, like: str | None, answers: Answers, overwrite: bool = False
) -> None:
    """Write the overlay that a manual's values make of a base.

    Raises
    ------
    ReadingError, ModelError
        An answer cannot be right, or all together make no machine; nothing is written.
    FileError
        The file is there already, or it cannot be written.
    """
    under = files.read_toml(files.find("models", base))
    found = overlay_entries(questions(under, like), answers)
    head = {"schema": 1, "id": path.stem, "version": "1", "base": base}
    head["base_version"] = str(under.get("version", ""))
    if like:
        head["like"] = like
    text = overlay_text(head, found)
    build_system(overlaid(tomllib.loads(text), under)[0])
    write(path, [text], overwrite, folders=True)


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
