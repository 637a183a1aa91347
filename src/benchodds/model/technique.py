"""How a reading was taken: what was said of it, and nothing that was not."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from typing import Any, Self

from benchodds.basics.errors import ReadingError
from benchodds.basics.language import N_, _

# Asked when a technique is recorded; of a stored one only the types, so that these may widen.
_TYPES = {"range_top": float, "temp_c": float, "kicks": int, "unplugged": bool, "same_hookup": bool}
_SENSIBLE: tuple[tuple[str, Callable[[Any], bool], str], ...] = (
    ("kicks", lambda v: v >= 1, N_("1 or more")),
    ("range_top", lambda v: 0 < v < math.inf, N_("above 0")),
    ("temp_c", lambda v: -60 <= v <= 400, N_("from -60 to 400 °C")),
    ("leads", lambda v: v in ("nulled", "raw"), N_("'nulled' or 'raw'")),
    ("light", lambda v: v in ("dark", "shade", "daylight"), N_("'dark', 'shade' or 'daylight'")),
)


@dataclass(frozen=True, slots=True)
class Technique:
    """How a reading was taken. None = not said: integrated over, never assumed perfect."""

    how: str | None = None  # cranking method id
    meter: str | None = None  # "10M", "20k/V" or an instrument id, as written
    range_top: float | None = None  # base unit
    accuracy: str | None = None  # "0.8%+3"
    kicks: int | None = None  # number of kicks when only the best is written
    leads: str | None = None  # "nulled" | "raw"
    temp_c: float | None = None
    unplugged: bool | None = None
    light: str | None = None  # "dark" | "shade" | "daylight"
    adapter: str | None = None  # instrument id of the peak adapter
    operator: str | None = None
    same_hookup: bool | None = None  # probes not moved since the reading before
    card: str | None = None  # the instrument's card, when not the job's own

    def as_data(self) -> dict[str, Any]:
        """Return what was said, as JSON-able data; what was not said is left out."""
        return {f.name: v for f in fields(self) if (v := getattr(self, f.name)) is not None}

    @classmethod
    def from_data(cls, data: Mapping[str, Any]) -> Self:
        """Read back what `as_data` wrote. Raises ReadingError when a value is of another type."""
        known = {f.name: data[f.name] for f in fields(cls) if data.get(f.name) is not None}
        for key, value in known.items():
            kind = _TYPES.get(key, str)
            if kind is float and type(value) is int:
                known[key] = float(value) if abs(value) < 2**63 else math.inf
            elif not isinstance(value, kind) or (isinstance(value, bool) != (kind is bool)):
                want = {str: _("a text"), bool: _("true or false"), int: _("a whole number")}
                raise ReadingError(
                    _("{key} is {value!r}; it should be {kind}").format(
                        key=key, value=value, kind=want.get(kind, _("a number"))
                    )
                )
        return cls(**known)

    def checked(self) -> Self:
        """Return it as it will be read back. Raises ReadingError when a value is not sensible."""
        said = self.from_data(self.as_data())
        for key, fits, want in _SENSIBLE:
            if (value := getattr(said, key)) is not None and not fits(value):
                raise ReadingError(
                    _("{key} is {value!r}; it should be {want}").format(
                        key=key, value=value, want=_(want)
                    )
                )
        return said
