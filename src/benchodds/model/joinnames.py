"""What parts, faults, quantities and tests of one system are called among joined systems."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from benchodds.basics.errors import ModelError, nearest
from benchodds.basics.language import _

if TYPE_CHECKING:
    from benchodds.model.system import SystemModel

Fault = tuple[str, str]

PLUS = "+"
"""Between the names of joined systems, their variants and their complaints."""


def alone(model: SystemModel, complaint: str) -> tuple[str, ...]:
    """The complaints that one name stands for, each as the model has it."""
    return (complaint,) if complaint in model.complaints else tuple(complaint.split(PLUS))


@dataclass(frozen=True)
class Naming:
    """The names of one system among others: what its parts, faults, tests are called there."""

    model: SystemModel
    others: Mapping[str, SystemModel]

    @cached_property
    def stand_ins(self) -> dict[Fault, str]:
        """Faults that stand for another system's, with the quantity that takes their place."""
        out = {}
        for system, meeting in self.model.meets.items():
            if system in self.others:
                for fault in meeting.stands_for:
                    component, _dot, mode = fault.partition(".")
                    if component in self.model.components:
                        out[component, mode] = self.quantity(f"{component}_{mode}")
        for component in {c for c, _mode in out}:
            missing = [
                m for m in self.model.components[component].modes if (component, m) not in out
            ]
            if missing:
                raise ModelError(
                    f"{self.model.id}: "
                    + _(
                        "{component} stands for parts of another system in some of its modes, "
                        "not in {missing}; say what these stand for too"
                    ).format(component=component, missing=", ".join(missing))
                )
        return out

    @cached_property
    def stood_in(self) -> frozenset[str]:
        """Components that are replaced by another system's."""
        return frozenset(c for c, _ in self.stand_ins)

    def quantity(self, name: str) -> str:
        """A quantity's name, usable in a formula."""
        return f"{self.model.id}_{name}".replace("-", "_")

    def own(self, name: str) -> str:
        """A part's, test's or repair's name."""
        return f"{self.model.id}-{name}"

    def setup(self, name: str) -> str:
        """A set-up's name, the common one where it is shared."""
        return self.model.shared_setups.get(name, self.own(name))

    def fault(self, component: str, mode: str) -> Fault:
        """What a fault of this system is called."""
        if common := self.model.shared.get(f"{component}.{mode}"):
            part, _, common_mode = common.partition(".")
            return part, common_mode
        return self.model.shared.get(f"{component}.*", self.own(component)), mode

    def faults(self, text: str) -> list[Fault]:
        """The faults of this system that 'part.mode' or 'part.*' names, under its own names."""
        component, _, mode = text.partition(".")
        if component not in self.model.components:
            return []
        modes = self.model.components[component].modes
        return [(component, m) for m in modes if mode in ("*", m)]

    def parts(self, component: str | None) -> list[str]:
        """What the parts are called that a component of this system is, none where it stands in."""
        faults = [f for f in self.faults(f"{component}.*") if f not in self.stand_ins]
        return list(dict.fromkeys(self.fault(*f)[0] for f in faults))


def namings(models: Sequence[SystemModel]) -> dict[str, Naming]:
    """The naming of each system among all of them, by the names that they meet under."""
    return {m.kind: Naming(m, {o.kind: o for o in models if o.id != m.id}) for m in models}


def causes_of(naming: Naming, every: Mapping[str, Naming], fault: Fault) -> list[Fault]:
    """The joined faults that a stand-in stands for."""
    out: dict[Fault, None] = {}
    for system, meeting in naming.model.meets.items():
        if system in every:
            for text in meeting.stands_for.get(".".join(fault), ()):
                for found in named(every[system], text):
                    out[found] = None
    return list(out)


def named(naming: Naming, text: str) -> list[Fault]:
    """The joined faults that a text such as 'reg.dead' names in a system; ModelError if none."""
    found = [naming.fault(*f) for f in naming.faults(text)]
    if not found and text.partition(".")[0] not in naming.model.components:
        known = list(naming.model.components)
        raise ModelError(
            _("'{text}' names no fault of {model}{hint}").format(
                text=text, model=naming.model.id, hint=nearest(text.partition(".")[0], known)
            )
        )
    return found


def raisings(
    naming: Naming, every: Mapping[str, Naming]
) -> Iterator[tuple[str, str, list[Fault], Fault, float]]:
    """Faults brought on by another system: quantity, title, bringing faults, the fault, times."""
    for system, meeting in naming.model.meets.items():
        if system not in every:
            continue
        for text, raised in meeting.raises.items():
            for component, mode in naming.faults(text):
                name = naming.quantity(f"{component}_{mode}_from_{system}")
                bringing = [f for t in raised.by for f in named(every[system], t)]
                title = f"{naming.model.title_of(component, mode)}: " + _(
                    "brought on by {system}"
                ).format(system=system)
                yield name, title, bringing, naming.fault(component, mode), raised.times
