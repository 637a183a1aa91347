"""Mistakes in files, in plain words, and all of them at once.

Pydantic stops at what it cannot build. Here what is wrong is said, taken out, and the rest is
looked at again, so that a file with five mistakes gets five messages.
"""

from __future__ import annotations

import ast
import difflib
import inspect
import itertools
import textwrap
import types
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from copy import deepcopy
from dataclasses import fields, is_dataclass
from functools import cache
from typing import Annotated, Any, TypeVar, Union, get_args, get_origin, get_type_hints

from pydantic import BaseModel, TypeAdapter, ValidationError

from benchodds.basics.errors import nearest
from benchodds.basics.language import N_, _

M = TypeVar("M")

MAX_ROUNDS = 6
"""How often a file is looked at again after its mistakes were taken out."""

_UNKNOWN = ("extra_forbidden", "unexpected_keyword_argument")

MAX_SHOWN = 60
"""Most characters of what was found that are told."""

_WANTED = {
    "tuple_type": N_('expected a list, such as ["A", "B"]'),
    "list_type": N_('expected a list, such as ["A", "B"]'),
    "dataclass_type": N_('expected a table, such as { name = "..." }'),
    "dict_type": N_('expected a table, such as { name = "..." }'),
    "model_type": N_('expected a table, such as { name = "..." }'),
    "string_type": N_('expected text in quotes, a number with its unit, such as "12 min"'),
    "bool_type": N_("expected true or false"),
    "bool_parsing": N_("expected true or false"),
    "float_type": N_("expected a plain number, such as 0.5"),
    "float_parsing": N_("expected a plain number, such as 0.5"),
    "int_type": N_("expected a whole number"),
    "int_parsing": N_("expected a whole number"),
    "int_from_float": N_("expected a whole number"),
}


def validate(
    cls: type[M], raw: Mapping[str, Any], placeholders: Mapping[str, Any] | None = None
) -> tuple[M | None, list[str], set[tuple[str, ...]]]:
    """Build a model of a file from its mapping, in spite of mistakes if that can be done.

    Returns the model (without what was wrong, or with something in its place; None when
    nothing could be saved), the mistakes as 'key: what is wrong; what is right', and the key
    paths that are not what the file says. ``placeholders`` stand in for top-level keys.
    """
    data: Any = deepcopy(dict(raw))
    kind: Any = cls
    problems: list[str] = []
    touched: set[tuple[str, ...]] = set()
    for _round in range(MAX_ROUNDS):
        try:
            return _adapter(kind).validate_python(data), list(dict.fromkeys(problems)), touched
        except ValidationError as error:
            errors = error.errors()
        changed = False
        for e in errors:
            loc = tuple(p for p in e["loc"] if p != "[key]")
            path = tuple(str(p) for p in loc)
            if path in touched or any(t[: len(path)] == path for t in touched):
                changed |= _remove(data, loc[: min(2, len(loc))])  # what was put there is no good
                continue
            problems.append(_plain(e, cls))
            if len(loc) == 1 and placeholders and loc[0] in placeholders:
                data[loc[0]] = placeholders[str(loc[0])]
            elif e["type"] in _UNKNOWN or e["loc"][-1:] == ("[key]",):
                if not _remove(data, loc):
                    continue
            elif not _stand_in(data, loc, e) and not _remove(data, loc[: min(2, len(loc))]):
                continue
            changed = True
            touched.add(path)
        if not changed:
            break
    return None, list(dict.fromkeys(problems)), touched


@cache
def _adapter(cls: Any) -> TypeAdapter[Any]:
    return TypeAdapter(cls)


_BOUNDS = {"less_than_equal": "le", "greater_than_equal": "ge", "less_than": "lt"}
_BOUND_WORDS = {
    "less_than_equal": (N_("expected at most {bound:g}{shown}"), "le"),
    "greater_than_equal": (N_("expected at least {bound:g}{shown}"), "ge"),
    "less_than": (N_("expected less than {bound:g}{shown}"), "lt"),
    "greater_than": (N_("expected more than {bound:g}{shown}"), "gt"),
}


def _stand_in(data: Any, path: Sequence[str | int], error: Any) -> bool:
    """Put something legal in the place of one bad value, so that the rest can be looked at."""
    kind, context, found = error["type"], error.get("ctx", {}), error.get("input")
    value: Any
    if kind in _BOUNDS:
        value = context[_BOUNDS[kind]] * (0.5 if kind == "less_than" else 1)
    elif kind == "greater_than":
        value = context["gt"] + 0.5
    elif kind == "literal_error":
        choices = [c.strip("'") for c in _choices(error)]
        value = next(iter(difflib.get_close_matches(str(found), choices, 1, 0.0)), None)
    elif kind == "string_type" and isinstance(found, (int, float)):
        value = str(found)
    elif kind in ("missing", "string_too_short", "string_type"):
        value = "???"
    elif kind.startswith(("float_", "int_", "finite_")):
        value = 1
    else:
        return False
    place = _table_of(data, path)
    last = path[-1]
    if isinstance(place, list) and last in range(len(place)):
        place[int(last)] = value
    elif isinstance(place, dict):
        place[last] = value
    else:
        return False
    return True


def _table_of(data: Any, path: Sequence[str | int]) -> Any:
    """The table or list that holds the entry at a path, None where there is none."""
    for key in path[:-1]:
        try:
            data = data[key]
        except (KeyError, IndexError, TypeError):
            return None
    return data


def quiet(problems: Iterable[str], touched: Collection[tuple[str, ...]]) -> list[str]:
    """The problems that are not about what was put in the place of something wrong."""
    paths = [".".join(f"'{p}'" if "." in p else p for p in path) for path in touched]
    return [p for p in problems if not any(p.startswith((f"{x}:", f"{x}.")) for x in paths)]


def _remove(data: Any, path: Sequence[str | int]) -> bool:
    """Take one entry out of nested tables and lists; an item of a list becomes None's place."""
    place = _table_of(data, path)
    key = path[-1]
    if isinstance(place, dict) and key in place:
        del place[key]
        return True
    if isinstance(place, (list, tuple)):  # whatever holds the list goes as a whole
        return _remove(data, path[:-1]) if len(path) > 1 else False
    return False


def told(error: ValidationError, cls: Any) -> list[str]:
    """Every mistake that pydantic found, as 'key: what was found; what would be right'."""
    return [_plain(e, cls).removeprefix(": ") for e in error.errors()]


def _plain(error: Any, cls: Any) -> str:
    """One pydantic error as 'key: what was found; what would be right'."""
    loc = [p for p in error["loc"] if p != "[key]"]
    path = ".".join(f"'{p}'" if "." in str(p) else str(p) for p in loc)
    found = error.get("input")
    text = repr(found) if len(repr(found)) <= MAX_SHOWN else f"{repr(found)[:MAX_SHOWN]}..."
    shown = (
        " " + _("(found {found})").format(found=text)
        if isinstance(found, (str, int, float, bool))
        else ""
    )
    kind = error["type"]
    if kind in _UNKNOWN:
        near = nearest(str(loc[-1]), known_keys(cls, loc[:-1]))
        return f"{path}: " + _("'{key}' is not a key known here{near}").format(
            key=loc[-1], near=near or _("; remove it")
        )
    if kind == "missing":
        return f"{path}: " + _("missing{meaning}").format(meaning=_meaning(cls, loc))
    if kind == "literal_error":
        near = nearest(str(found), [c.strip("'") for c in _choices(error)])
        return f"{path}: " + _("expected {choices}{shown}{near}").format(
            choices=error["ctx"]["expected"], shown=shown, near=near
        )
    if kind == "string_pattern_mismatch":
        return f"{path}: " + _(
            "'{found}' cannot be a name; names begin with a small letter and go on with "
            "letters, digits, - or _"
        ).format(found=found)
    if kind in _WANTED:
        return f"{path}: {_(_WANTED[kind])}{shown}"
    if kind in _BOUND_WORDS:
        words, key = _BOUND_WORDS[kind]
        return f"{path}: " + _(words).format(bound=error["ctx"][key], shown=shown)
    if kind in ("too_short", "string_too_short"):
        return f"{path}: " + _("empty{meaning}").format(meaning=_meaning(cls, loc))
    return f"{path}: {error['msg'].removeprefix('Value error, ')}{shown}"


def _choices(error: Any) -> list[str]:
    return [c for c in error["ctx"]["expected"].replace(" or ", ", ").split(", ") if c]


def known_keys(cls: Any, loc: Sequence[str | int]) -> list[str]:
    """The keys that a table of a file may have, by its path from the top."""
    found = _at(cls, loc)
    return [key for key, _kind in held(found).values()] if found else []


def _meaning(cls: Any, loc: Sequence[str | int]) -> str:
    """What a missing key is for, from the text below its field."""
    found = _at(cls, loc[:-1])
    if found is None:
        return ""
    names = [n for n, (key, _kind) in held(found).items() if loc[-1] in (n, key)]
    said = next((descriptions(found)[n] for n in names if n in descriptions(found)), "")
    said = _(said) if said else ""
    return f"; {said[0].lower()}{said[1:].rstrip('.')}" if said else ""


@cache
def descriptions(cls: Any) -> dict[str, str]:
    """The texts below the fields of a class, by field, read from its source when asked for.

    Pydantic can read them too, but would do so whenever the program starts.
    """
    try:
        tree = ast.parse(textwrap.dedent(inspect.getsource(cls)))
    except (OSError, TypeError):
        return {}
    body = tree.body[0].body if isinstance(tree.body[0], ast.ClassDef) else []
    out = {}
    for item, below in itertools.pairwise(body):
        match item, below:
            case (
                ast.AnnAssign(target=ast.Name(id=name)),
                ast.Expr(value=ast.Constant(value=str(text))),
            ):
                out[name] = " ".join(text.split())
    return out


def _at(cls: Any, loc: Sequence[str | int]) -> Any:
    """The class that a key path leads to, through tables of tables and lists."""
    kind: Any = cls
    for key in loc:
        step: Any = None
        for model in _models(kind):
            for name, (alias, inner) in held(model).items():
                if key in (name, alias):
                    step = inner
        if step is None:  # a name in a table of tables, or a place in a list
            step = next((_item(k) for k in _inside(kind) if _item(k) is not None), None)
        if step is None:
            return None
        kind = step
    return next(iter(_models(kind)), None)


def _models(kind: Any) -> list[Any]:
    return [m for m in _inside(kind) if _is_table(m)]


def _is_table(kind: Any) -> bool:
    return isinstance(kind, type) and (is_dataclass(kind) or issubclass(kind, BaseModel))


@cache
def held(cls: Any) -> dict[str, tuple[str, Any]]:
    """The fields of a class for tables: the key in a file and the type of each."""
    if issubclass(cls, BaseModel):
        return {name: (f.alias or name, f.annotation) for name, f in cls.model_fields.items()}
    kinds = get_type_hints(cls, include_extras=True)
    return {f.name: (f.name, kinds[f.name]) for f in fields(cls)}


def classes_in(kind: Any) -> list[Any]:
    """The classes of tables in a type: its own, and what lists, tables and unions hold."""
    if _is_table(kind):
        return [kind]
    return [found for part in get_args(kind) for found in classes_in(part)]


def _inside(kind: Any) -> Iterator[Any]:
    """A type without Annotated, and the members of a union."""
    origin = get_origin(kind)
    if origin is Annotated:
        yield from _inside(get_args(kind)[0])
    elif origin in (Union, types.UnionType):
        for part in get_args(kind):
            yield from _inside(part)
    else:
        yield kind


def _item(kind: Any) -> Any:
    """What a mapping or a list holds."""
    args = get_args(kind)
    if get_origin(kind) is dict:
        return args[1]
    if get_origin(kind) in (tuple, list):
        return args[0]
    return None
