"""Events of a job, and what each kind must hold."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal

from benchodds.basics.errors import JobError
from benchodds.basics.language import N_, _

EventKind = Literal[
    "opened", "reading", "struck", "setup", "gear", "action", "note", "closed", "reopened"
]
SOURCE = ("version", "hash")
"""What a job knows of a file that its odds come from."""
DERIVED = ("files", "odds")
"""What an event holds that nobody said: a retry of the same event may have others."""
_DEEPEST = 20  # nesting of an event's data
_OPENED_WITH = ("system", "variant", "complaint", "model_version", "prior_set", "prior_version")
# Names alone: no path, so that no job says which file is to be opened.
_FILE = re.compile(r"[^\W_][\w-]{0,63}(\+[^\W_][\w-]{0,63})*")
# What an event's data must hold; more is allowed and kept.
_TEXT, _MAYBE, _FLAG = N_("a text that is not blank"), N_("a text or left out"), N_("true or false")
_MAYBE_FLAG = N_("true, false or left out")
_MAYBE_TEXTS = N_("a list of texts, or left out")
_CHANCES = N_("left out, or a table of names and chances between 0 and 1")
_TEXTS, _VALUES = N_("a list of texts"), N_("a list of one text or more, none blank")
_NAMED = N_("the name of a file without its folder and ending; joined ones with +")
_FILES = N_("a table of files, each with the texts 'version' and 'hash'")
_ODDS = N_("left out, or a table of 'p', chances by fault, and 'files', what they come from")
_TABLE, _ITEMS = N_("a table of names and values"), N_("a table of at least one name and value")
_VERDICT = N_("a table: 'faults' a list of texts, 'grade' and 'note' texts, 'minutes' a number")
_FITS: dict[str, Callable[[Any], bool]] = {
    _TEXT: lambda v: isinstance(v, str) and v.strip() != "",
    _MAYBE: lambda v: v is None or isinstance(v, str),
    _FLAG: lambda v: isinstance(v, bool),
    _MAYBE_FLAG: lambda v: v is None or isinstance(v, bool),
    _TEXTS: lambda v: isinstance(v, list) and all(map(_FITS[_TEXT], v)),
    _MAYBE_TEXTS: lambda v: v is None or _FITS[_TEXTS](v),
    _CHANCES: lambda v: v is None or (isinstance(v, dict) and all(map(_is_chance, v.values()))),
    _VALUES: lambda v: v != [] and _FITS[_TEXTS](v),
    _TABLE: lambda v: isinstance(v, dict),
    _ITEMS: lambda v: isinstance(v, dict) and v != {},
    _NAMED: lambda v: isinstance(v, str) and _FILE.fullmatch(v) is not None,
    _FILES: lambda v: v is None or (isinstance(v, dict) and all(map(_is_source, v.values()))),
    _ODDS: lambda v: v is None or (isinstance(v, dict) and _is_odds(v.get("p"), v.get("files"))),
    _VERDICT: lambda v: (
        isinstance(v, dict)
        and _FITS[_TEXTS](v.get("faults", []))
        and all(isinstance(v.get(key, ""), str) for key in ("grade", "note"))
        and type(v.get("minutes", 0)) in (int, float)
    ),
}
_SHAPES: dict[EventKind, dict[str, str]] = {
    "opened": dict.fromkeys(_OPENED_WITH, _TEXT)
    | {"contexts": _TEXTS, "perhaps": _CHANCES, "replaced": _MAYBE_TEXTS}
    | {"name": _MAYBE, "files": _FILES}
    | dict.fromkeys(("system", "prior_set"), _NAMED),
    "reading": {"test": _TEXT, "values": _VALUES, "technique": _TABLE, "note": _MAYBE},
    "struck": {"reading": _TEXT, "reason": _TEXT},
    "setup": {"setup": _TEXT, "open": _FLAG},
    "gear": {"items": _ITEMS},
    "action": {"repair": _TEXT, "note": _MAYBE, "back": _MAYBE_FLAG, "odds": _ODDS},
    "note": {"text": _TEXT},
    "closed": {"verdict": _VERDICT, "odds": _ODDS},
    "reopened": {"reason": _MAYBE},
}


def _is_chance(value: Any) -> bool:
    return isinstance(value, float) and 0 < value < 1


def _is_source(value: Any) -> bool:
    return isinstance(value, dict) and all(isinstance(value.get(k), str) for k in SOURCE)


def _is_odds(p: Any, files: Any) -> bool:
    chances = p.values() if isinstance(p, dict) else [None]
    return all(isinstance(x, float | int) for x in chances) and _FITS[_FILES](files)


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happened on a job; never altered once stored."""

    seq: int  # 1.. within the job, given by the store; 0 = not yet stored
    at: str  # ISO 8601, UTC, with seconds
    kind: EventKind
    data: Mapping[str, Any]  # JSON-able; keys not known here are kept
    uid: str = ""  # the same token twice is one event, so a retry does no harm


def check_file(name: str) -> str:
    """Return the name of a model or prior file. Raises JobError when it is none, or a path."""
    if not _FITS[_NAMED](name):
        raise JobError(_("'{name}' should be {want}").format(name=name, want=_(_NAMED)))
    return name


def check_form(event: Event, data: Mapping[str, Any]) -> None:
    """Raise JobError unless the event has its time, its token and what its kind must hold."""
    if not isinstance(event.kind, str) or event.kind not in _SHAPES or not isinstance(data, dict):
        raise JobError(_("'{kind}' is not a kind of event known here").format(kind=event.kind))
    for key, want in _SHAPES[event.kind].items():
        if not _FITS[want](data.get(key)):
            found = repr(data[key])[:60] if key in data else _("missing")
            raise JobError(
                _("'{key}' is {found}; it should be {want}").format(
                    key=key, found=found, want=_(want)
                )
            )
    try:
        is_utc = datetime.fromisoformat(event.at).utcoffset() == timedelta(0)
    except (TypeError, ValueError):
        is_utc = False
    if not is_utc or len(event.at) < len("2025-01-31T09:30:00Z"):
        raise JobError(
            _("the time is '{at}'; it should be like 2025-01-31T09:30:00Z (UTC)").format(
                at=event.at
            )
        )
    if len(event.uid) > 200 or not event.uid.isprintable():
        raise JobError(_("the event's token should be at most 200 printable characters"))


def plain(value: Any, depth: int = 0) -> Any:
    """Return a copy in plain JSON types, exactly as it comes back from a store."""
    if value is None or isinstance(value, str | bool):
        return value
    is_whole = isinstance(value, int) and -(2**63) <= value < 2**63
    if is_whole or (isinstance(value, float) and math.isfinite(value)):
        return value
    if depth < _DEEPEST:
        if isinstance(value, list | tuple):
            return [plain(v, depth + 1) for v in value]
        if isinstance(value, Mapping) and all(isinstance(k, str) for k in value):
            return {k: plain(v, depth + 1) for k, v in value.items()}
    shown = (
        repr(value)
        if isinstance(value, float)
        else _("this {kind}").format(kind=type(value).__name__)
    )
    want = _("texts, finite numbers, true or false, lists and tables, at most {most} deep").format(
        most=_DEEPEST
    )
    raise JobError(
        _("{shown} cannot be kept in a job's record; use {want}").format(shown=shown, want=want)
    )
