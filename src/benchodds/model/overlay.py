"""A machine of one's own, written as nothing but what differs from a system that there is.

An overlay is a variant of its base that stands in a file of its own: a head, and below it keys of
the base's file with other values. Where the head says ``base = "mag-cdi"``, the rest is laid over
that file as it is now; what no longer fits is told like any other mistake.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields
from typing import Any, Literal

from benchodds.basics.errors import ModelError, nearest
from benchodds.basics.forms import Form, Name, Text, checked
from benchodds.basics.language import _
from benchodds.model.follow import Followed, follow
from benchodds.model.system import build_system
from benchodds.model.variants import narrowed, put

FREE = ("wiring", "defaults", "cautions")
"""Tables of the base that may have entries of the overlay's own."""
OWNED = ("bench", "complaints", "contexts", "components", "shared", "meets", "manual", "variants")
"""What an overlay takes from its base as it is."""
_HEADED = ("id", "base", "version", "title", "notice")


class Overlay(Form):
    """The head of an overlay; below it stand keys of the base's file with other values."""

    schema: Literal[1]
    """Version of this form of file."""
    id: Name
    """Name of the machine's system; the name of the file."""
    version: Text
    """Version of the contents; change it with every change."""
    base: Name
    """The system that it differs from."""
    base_version: str = ""
    """The version of the base that it was written for."""
    like: str = ""
    """The variant of the base that is most like it; the base's default when left out."""
    title: Text
    """What machine it is."""
    years: str = ""
    """Model years."""
    notice: str = ""
    """What the reader must know about where it comes from."""
    provenance: Text
    """Where its numbers come from: manual, edition, page; or judgement."""
    without: tuple[Name, ...] = ()
    """Parts of the base that it does not have."""


def overlaid(
    raw: Mapping[str, Any], base: Mapping[str, Any]
) -> tuple[dict[str, Any], tuple[Followed, ...]]:
    """The whole model file that an overlay stands for, and what followed from its limits.

    Raises
    ------
    ModelError
        Naming every mistake found: key path of the overlay, what is wrong, what would be right.
    """
    heads = {f.name for f in fields(Overlay)}
    top = {k: v for k, v in raw.items() if k in heads or not isinstance(v, dict)}
    head = checked(Overlay, top)
    data, problems = _based(head, base)
    told = list(_leaves({k: v for k, v in raw.items() if k not in top}))
    after = _deep(data)
    for keys, value in told:
        if keys[0] in OWNED:
            problem = _("an overlay takes this from its base; it cannot be changed here")
        else:
            if keys[0] in FREE:
                after.setdefault(keys[0], {})
            problem = put(after, keys, value)
        if problem:
            problems.append(f"{_dotted(keys)}: {problem}")
    if problems:
        raise ModelError("\n".join(problems))
    whole = _headed(_deep(after), head, str(base.get("version", "?")))
    try:
        followed = follow(data, after, {keys for keys, _value in told}, head.provenance)
    except (ModelError, AttributeError, TypeError, KeyError, ValueError):
        build_system(whole)  # which tells the mistakes that nothing can follow from
        raise
    return {**after, **{k: whole[k] for k in _HEADED}}, followed


def _based(head: Overlay, base: Mapping[str, Any]) -> tuple[dict[str, Any], list[str]]:
    """The base in the variant that is most like the overlay, and what is wrong with that."""
    variants = base.get("variants")
    known = variants if isinstance(variants, dict) else {}
    like = head.like or str(base.get("default_variant", ""))
    if "base" in base:
        raise ModelError(
            "base: "
            + _("'{base}' is an overlay itself; name the system that it was made from").format(
                base=head.base
            )
        )
    if like not in known:
        raise ModelError(
            "like: "
            + _("'{variant}' is not a variant of {id}{hint}").format(
                variant=like, id=head.base, hint=nearest(like, known)
            )
        )
    data, problems = narrowed(base, like)
    components = base.get("components", {})
    absent = [c for c in components if c not in data["components"]]
    data["components"] = _deep(components)
    for section in ("components", "quantities", "tests", "repairs"):
        for item in data.get(section, {}).values():
            item.pop("only", None)
    title = str(base.get("title", head.base))
    mine = {"title": title, "years": head.years, "provenance": head.provenance}
    data["variants"] = {like: {**mine, "without": [*absent, *head.without]}}
    data["default_variant"] = data.pop("variant")
    problems += [
        "without: "
        + _("'{part}' is not a part here{hint}").format(part=p, hint=nearest(p, components))
        for p in head.without
        if p not in components
    ]
    return data, problems


def _headed(data: dict[str, Any], head: Overlay, version: str) -> dict[str, Any]:
    """The merged file under the overlay's name."""
    notice = head.notice or _(
        "Limits as in: {source}. All else is that of {base}, an invented machine; your machine's "
        "own service literature goes before it."
    ).format(source=head.provenance, base=head.base)
    both = _("{own} on {base} {version}").format(own=head.version, base=head.base, version=version)
    mine = (head.id, head.base, both, head.title, notice)
    return {**data, **dict(zip(_HEADED, mine, strict=True))}


def _leaves(table: Mapping[str, Any], above: tuple[str, ...] = ()) -> Iterator[tuple[Any, Any]]:
    """Every entry that is no table, with its path."""
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _leaves(value, (*above, key))
        else:
            yield (*above, key), value


def _dotted(keys: tuple[str, ...]) -> str:
    return ".".join(f"'{k}'" if "." in k else k for k in keys)


def _deep(value: Any) -> Any:
    """A copy of parsed TOML that shares no table or list."""
    if isinstance(value, dict):
        return {k: _deep(v) for k, v in value.items()}
    return [_deep(v) for v in value] if isinstance(value, list) else value
