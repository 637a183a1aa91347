"""The files of ``import``: read the list and the mapping, write JSON lines whole or not at all."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

from benchodds.basics.errors import ModelError
from benchodds.basics.language import _
from benchodds.keep import files
from benchodds.keep.outputs import making
from benchodds.learn.casebook import catalog
from benchodds.learn.cases import CaseMaker
from benchodds.learn.importing import Imported, Layout, translate
from benchodds.learn.learning import checked
from benchodds.learn.rows import RowsError, records
from benchodds.learn.tuning_files import load_learning
from benchodds.learn.written import RowError


def bring_in(
    source: Path, mapping: Path, target: Path, overwrite: bool, skip_bad: bool, today: date
) -> Imported:
    """Translate a list; written only when no row is refused, or when the rest is wanted.

    Raises FileError, RowsError, ModelError.
    """
    try:
        layout: Layout = checked(Layout, files.read_toml(mapping))
    except ModelError as error:
        said = "; ".join(str(error).splitlines())
        raise ModelError(said if said.startswith(str(mapping)) else f"{mapping}: {said}") from None
    maker = CaseMaker(catalog, load_learning(), today)
    account = Imported()
    try:
        with making(target, overwrite) as new:
            with new.open("w", encoding="utf-8") as file:
                for row in translate(records(source), layout, maker, account):
                    file.write(json.dumps(row, ensure_ascii=False) + "\n")
            account.written = bool(account.used) and (skip_bad or not account.refused)
            if not account.written:
                new.unlink()
    except RowError as error:
        raise RowsError(f"{source}: " + _("row 1, {error}").format(error=error)) from None
    return account
