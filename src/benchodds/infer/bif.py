"""Networks as XMLBIF, for other tools."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING
from urllib.parse import quote, unquote
from xml.etree import ElementTree

import numpy as np

from benchodds.basics.errors import ModelError
from benchodds.basics.language import _
from benchodds.basics.tables import Network, Table, Variable
from benchodds.infer.exchange import (
    _COMPONENT,
    _EVIDENCE,
    _NAME,
    _STATES,
    _checked,
    explicit,
    pruned,
)

if TYPE_CHECKING:
    pass


def bif_text(network: Network, wanted: Iterable[str] | None = None) -> str:
    """The network as XMLBIF, findings and special states as observed nodes.

    Numbers are written so that they read back exactly. Variables and states whose names are
    not plain identifiers get one; what they are called here stands in properties, percent
    encoded. The evidence, which the format has no place for, stands
    in a comment in front and, for :func:`read_bif`, in properties of the network; a program
    that reads the file must be told it to get the same posteriors. Points and units of
    quantities are not written.

    Barren nodes are left out (:func:`pruned`, which says what ``wanted`` of None means).
    """
    plain = explicit(pruned(network, wanted))
    name_of = _identifiers(plain.variables, "v")
    state_of = {v: _identifiers(x.states, "s") for v, x in plain.variables.items()}
    root = ElementTree.Element("BIF", VERSION="0.3")
    seen = {
        name_of[v]: state_of[v][plain.variables[v].states[s]] for v, s in plain.evidence.items()
    }
    note = ", ".join(f"{v} = {s}" for v, s in seen.items()) or "none"
    # No two hyphens together in a comment (XML 1.0, 2.5); identifiers have none.
    root.append(ElementTree.Comment(f" Evidence to set: {note} "))
    body = ElementTree.SubElement(root, "NETWORK")
    _leaf(body, "NAME", "benchodds")
    for v, s in seen.items():
        _leaf(body, "PROPERTY", f"{_EVIDENCE} = {v} {s}")
    for v in plain.roots:
        _leaf(body, "PROPERTY", f"{_COMPONENT} = {name_of[v]}")
    for v, variable in plain.variables.items():
        element = ElementTree.SubElement(body, "VARIABLE", TYPE="nature")
        _leaf(element, "NAME", name_of[v])
        for state in variable.states:
            _leaf(element, "OUTCOME", state_of[v][state])
        if name_of[v] != v:
            _leaf(element, "PROPERTY", f"{_NAME} = {_encode(v)}")
        if any(written != state for state, written in state_of[v].items()):
            listed = " ".join(_encode(s) for s in variable.states)
            _leaf(element, "PROPERTY", f"{_STATES} = {listed}")
    for v, table in plain.tables.items():
        element = ElementTree.SubElement(body, "DEFINITION")
        _leaf(element, "FOR", name_of[v])
        for parent in table.scope[1:]:
            _leaf(element, "GIVEN", name_of[parent])
        # The child runs fastest, then the last parent.
        numbers = np.moveaxis(table.p, 0, -1).ravel().tolist()
        _leaf(element, "TABLE", " ".join(map(repr, numbers)))
    ElementTree.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(root, "unicode") + "\n"


def read_bif(text: str) -> Network:
    """Read XMLBIF: one that :func:`bif_text` wrote, or another program's.

    Returns
    -------
    Network
        Variables, tables, and (in files of our own) the evidence, components and names; no
        findings, special states or points: what these did is in observed nodes.

    Raises
    ------
    ModelError
        When the text is not XMLBIF, is too large, or some table is no conditional
        distribution.
    """
    if "<!ENTITY" in text:
        raise ModelError(_("the file defines XML entities, which a network has no use for"))
    try:
        body = ElementTree.fromstring(text).find("NETWORK")
    except (ElementTree.ParseError, ValueError) as error:
        raise ModelError(_("not an XML file: {error}").format(error=error)) from None
    if body is None:
        raise ModelError(_("no NETWORK element found; an XMLBIF file has one"))
    variables: dict[str, Variable] = {}
    name_of: dict[str, str] = {}
    written: dict[str, list[str]] = {}
    for element in body.findall("VARIABLE"):
        short = _text_of(element, "NAME")
        more = dict(_properties(element))
        name = unquote(more.get(_NAME, short))
        outcomes = [(o.text or "").strip() for o in element.findall("OUTCOME")]
        states = tuple(unquote(s) for s in more.get(_STATES, "").split())
        if len(states) != len(outcomes):
            states = tuple(outcomes)
        if short in name_of or name in variables:
            raise ModelError(_("the variable '{name}' stands twice in the file").format(name=name))
        variables[name] = Variable(name, states)
        name_of[short] = name
        written[name] = outcomes
    tables: dict[str, Table] = {}
    for element in body.findall("DEFINITION"):
        table = _definition(element, variables, name_of)
        if table.scope[0] in tables:
            raise ModelError(
                _("the variable '{name}' has two definitions").format(name=table.scope[0])
            )
        tables[table.scope[0]] = table
    bare = [v for v in variables if v not in tables]
    if bare:
        raise ModelError(
            _("'{name}' has no definition; every variable needs one").format(name=bare[0])
        )
    evidence: dict[str, int] = {}
    roots: list[str] = []
    for key, value in _properties(body):
        first, _space, state = value.partition(" ")
        if key not in (_EVIDENCE, _COMPONENT):
            continue
        if first not in name_of or (key == _EVIDENCE and state not in written[name_of[first]]):
            raise ModelError(
                _("the property '{key} = {value}' names what is not in the file").format(
                    key=key, value=value
                )
            )
        if key == _EVIDENCE:
            evidence[name_of[first]] = written[name_of[first]].index(state)
        else:
            roots.append(name_of[first])
    ordered = {v: tables[v] for v in variables}
    return _checked(Network(variables, ordered, evidence, roots=tuple(roots)))


def _definition(
    element: ElementTree.Element, variables: Mapping[str, Variable], name_of: Mapping[str, str]
) -> Table:
    short = _text_of(element, "FOR")
    names = [short, *((g.text or "").strip() for g in element.findall("GIVEN"))]
    for name in names:
        if name not in name_of:
            raise ModelError(
                _("the definition of '{short}' names '{name}', which is no variable").format(
                    short=short, name=name
                )
            )
    scope = tuple(name_of[name] for name in names)
    sizes = [variables[v].size for v in scope]
    words = _text_of(element, "TABLE").split()
    if len(words) != math.prod(sizes):
        raise ModelError(
            _("the table of '{name}' has {n:,} numbers; {wanted:,} are needed").format(
                name=scope[0], n=len(words), wanted=math.prod(sizes)
            )
        )
    try:
        numbers = np.array([float(word) for word in words])
    except ValueError as error:
        raise ModelError(
            _("the table of '{name}': {error}").format(name=scope[0], error=error)
        ) from None
    p = numbers.reshape([*sizes[1:], sizes[0]])
    return Table(scope, np.ascontiguousarray(np.moveaxis(p, -1, 0)))


def _leaf(parent: ElementTree.Element, tag: str, text: str) -> None:
    ElementTree.SubElement(parent, tag).text = text


def _text_of(element: ElementTree.Element, tag: str) -> str:
    text = (element.findtext(tag) or "").strip()
    if not text:
        raise ModelError(
            _("a {outer} element without {inner}").format(outer=element.tag, inner=tag)
        )
    return text


def _properties(element: ElementTree.Element) -> Iterator[tuple[str, str]]:
    for item in element.findall("PROPERTY"):
        key, sep, value = (item.text or "").partition("=")
        if sep:
            yield key.strip(), value.strip()


def _identifiers(names: Iterable[str], prefix: str) -> dict[str, str]:
    """A plain identifier for each name, its own where it is one; no two alike in any case."""
    names = list(names)
    taken: set[str] = set()
    found: dict[str, str] = {}
    plain = [n for n in names if re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*", n)]
    for name in (*plain, *(n for n in names if n not in plain)):
        clean = re.sub(r"[^A-Za-z0-9]+", "_", name).strip("_")
        trial = name if name in plain else clean if clean[:1].isalpha() else f"{prefix}_{clean}"
        n = 1
        base = trial
        while trial.lower() in taken:
            n += 1
            trial = f"{base}_{n}"
        taken.add(trial.lower())
        found[name] = trial
    return {name: found[name] for name in names}


def _encode(text: str) -> str:
    return quote(text, safe=".:,;+-")
