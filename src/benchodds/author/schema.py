"""JSON Schema of the files that people write, for editors that complete and check while typing.

The schemas come from the same classes that read the files; what a schema cannot say (that a
name exists, that chances sum to one, that a unit fits) is left to ``check``.
"""

from __future__ import annotations

import inspect
from collections.abc import Mapping
from typing import Any

from pydantic import TypeAdapter

from benchodds.basics.language import _
from benchodds.basics.validation import classes_in, descriptions, held
from benchodds.choose.shop import Shop
from benchodds.model.gear import Bench
from benchodds.model.priors import PriorSet
from benchodds.model.system import SystemModel

KINDS: Mapping[str, type[Any]] = {
    "model": SystemModel,
    "priors": PriorSet,
    "bench": Bench,
    "shop": Shop,
}
"""Kinds of files, and the class that reads each."""

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def schema_of(kind: str) -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of one kind of file, with the meaning of every key.

    Raises
    ------
    KeyError
        There is no such kind; see :data:`KINDS`.
    """
    cls = KINDS[kind]
    schema = TypeAdapter(cls).json_schema(by_alias=True)
    for read in ("base", "variant", "digest"):  # found when the file is read, never written
        schema.get("properties", {}).pop(read, None)
    places = {"": schema, **schema.get("$defs", {})}
    for name, found in {"": cls, **{c.__name__: c for c in classes(cls)}}.items():
        place = places.get(name, {})
        for field, text in descriptions(found).items():
            key = held(found)[field][0] if field in held(found) else field
            if key in place.get("properties", {}):
                place["properties"][key]["description"] = _(text)
        if found.__doc__:
            place["description"] = _(cleaned(found.__doc__))
    return {"$schema": DIALECT, **schema, "title": _("benchodds {kind} file").format(kind=kind)}


def classes(cls: Any) -> list[Any]:
    """The class and all that its fields hold."""
    seen: dict[str, Any] = {}
    todo = [cls]
    while todo:
        found: Any = todo.pop()
        if found.__name__ not in seen:
            seen[found.__name__] = found
            for _key, kind in held(found).values():
                todo += classes_in(kind)
    return list(seen.values())


def cleaned(text: str) -> str:
    """A docstring as one line."""
    return inspect.cleandoc(text).replace("\n", " ")
