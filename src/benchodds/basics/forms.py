"""What files may hold: frozen records that are checked when a file is read, and only then.

A form is a dataclass. Pydantic checks one against its annotations; whoever has a form at hand, or
its plain data from a place that can be trusted, does without.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, is_dataclass, replace
from functools import cache
from typing import (
    Annotated,
    Any,
    ClassVar,
    Self,
    TypeVar,
    dataclass_transform,
    get_args,
    get_origin,
    get_type_hints,
)

from benchodds.basics.errors import ModelError

F = TypeVar("F", bound="Form")


class Within:
    """Bounds of a field, by the words of ``pydantic.Field``: ``Annotated[float, Within(ge=0)]``."""

    def __init__(self, **bounds: Any) -> None:
        self.bounds = bounds

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> Any:
        from pydantic import Field

        return handler.generate_schema(Annotated[source, Field(**self.bounds)])


Name = Annotated[str, Within(pattern=r"^[a-z][A-Za-z0-9_-]{0,39}$")]
Text = Annotated[str, Within(min_length=1, max_length=1000)]
Share = Annotated[float, Within(ge=0.0, le=1.0)]
Provenance = Annotated[str, Within(min_length=3)]


@dataclass_transform(frozen_default=True, kw_only_default=True)
class Form:
    """A table of a data file: unknown keys are mistakes, nothing changes once read."""

    __pydantic_config__: ClassVar[Any] = {"extra": "forbid", "str_strip_whitespace": True}

    def __init_subclass__(cls) -> None:
        for name, value in list(vars(cls).items()):
            if isinstance(value, dict) and not name.startswith("_"):  # each has one of its own
                setattr(cls, name, field(default_factory=value.copy))
        dataclass(frozen=True, kw_only=True)(cls)

    def model_copy(self, *, update: Mapping[str, Any]) -> Self:
        """The same with other values in some fields."""
        return replace(self, **update)  # type: ignore[type-var]


def checked(cls: type[F], raw: Mapping[str, Any]) -> F:
    """A parsed file as its form; ModelError names key, finding and remedy of each mistake."""
    from benchodds.basics.validation import validate

    form, problems, _touched = validate(cls, raw)
    if form is None or problems:
        raise ModelError("\n".join(problems))
    return form


def as_data(form: Any) -> Any:
    """A form as JSON can hold it; what is as when left out is left out."""
    if is_dataclass(form):
        found = ((f, getattr(form, f.name)) for f in fields(form))
        return {f.name: as_data(v) for f, v in found if v not in (f.default, _made(f))}
    if isinstance(form, Mapping):
        return {key: as_data(value) for key, value in form.items()}
    return [as_data(value) for value in form] if isinstance(form, tuple) else form


def _made(f: Any) -> Any:
    return f.default_factory() if callable(f.default_factory) else f.default


def from_data(cls: type[F], data: Mapping[str, Any]) -> F:
    """The form that :func:`as_data` told of; nothing is checked."""
    kind: Any = cls
    makers = _makers(kind)
    return cls(**{key: makers.get(key, _as_it_is)(value) for key, value in data.items()})


@cache
def _makers(cls: Any) -> dict[str, Callable[[Any], Any]]:
    makers = ((name, _maker(kind)) for name, kind in get_type_hints(cls).items())
    return {name: maker for name, maker in makers if maker is not None}


def _as_it_is(value: Any) -> Any:
    return value


def _maker(kind: Any) -> Callable[[Any], Any] | None:
    """What makes a value of this type of what JSON holds; None where it is that already."""
    if isinstance(kind, type) and issubclass(kind, Form):
        return lambda data: from_data(kind, data)
    origin, args = get_origin(kind), get_args(kind)
    item = _maker(args[-1 if origin is dict else 0]) if args else None
    if origin is tuple:
        return lambda data: tuple(map(item or _as_it_is, data))
    if item is None:
        return None
    if origin is dict:
        return lambda data: {key: item(value) for key, value in data.items()}
    return lambda data: None if data is None else item(data)
