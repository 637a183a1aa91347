"""The shop: what labour, parts, days and come-backs cost. Read from a data file, checked here.

Money is in the shop's own currency. Model files price parts in plugs; the shop says what a
plug is worth, and may know single prices better.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Literal

from benchodds.basics.errors import ModelError
from benchodds.basics.forms import Form, Provenance, Within, checked
from benchodds.basics.quantities import to_base
from benchodds.model.system import Repair, SystemModel


class Labour(Form):
    """What a minute at the bench costs."""

    per_minute: Annotated[float, Within(gt=0)]
    provenance: Provenance


class Parts(Form):
    """Prices: per plug, and single ones by 'system.repair'.

    ``sure`` is the chance of being needed from which a part is fitted that costs money and
    cannot go back; a model file may ask for more.
    """

    per_plug: Annotated[float, Within(gt=0)]
    sure: Annotated[float, Within(ge=0, lt=1)]
    restocking: Annotated[float, Within(ge=0, le=1)]
    prices: dict[str, float] = {}
    provenance: Provenance


class Waiting(Form):
    """Parts dearer than the shelf holds come after some days, and a day costs."""

    on_the_shelf: Annotated[float, Within(ge=0)]
    days: Annotated[float, Within(ge=0)]
    per_day: Annotated[float, Within(ge=0)]
    provenance: Provenance


class Proof(Form):
    """The check after a repair: its time, and the chance to miss a fault that is still there.

    ``sure`` is the chance of being cured from which a machine that passed it goes out.
    """

    solid: str
    intermittent: str
    missed_solid: Annotated[float, Within(ge=0, lt=1)]
    missed_intermittent: Annotated[float, Within(ge=0, lt=1)]
    sure: Annotated[float, Within(gt=0, lt=1)]
    intermittent_faults: tuple[str, ...] = ()
    provenance: Provenance


class Gear(Form):
    """What it takes to change gear that has failed its proof."""

    renew: str
    provenance: Provenance


class Loss(Form):
    """What one mishap costs, all told."""

    cost: Annotated[float, Within(ge=0)]
    provenance: Provenance


class Foresight(Form):
    """Share of the expected cost that must be saved for leaving the usual step."""

    margin: Annotated[float, Within(ge=0, lt=1)]
    provenance: Provenance


class Donor(Form):
    """A swap that can ruin the known-good part: which faults do, how likely, and its worth."""

    system: str
    test: str
    worth: str
    ruined_by: dict[str, float]
    provenance: Provenance


class Shop(Form):
    """All of one shop file."""

    schema: Literal[1]
    id: str
    version: str
    title: str
    notice: str = ""
    currency: str
    labour: Labour
    parts: Parts
    waiting: Waiting
    proof: Proof
    gear: Gear
    come_back: Loss
    unsolved: Loss
    foresight: Foresight
    donors: tuple[Donor, ...] = ()

    def price(self, system: str, name: str, repair: Repair) -> float:
        """Money for the part of a repair."""
        return self.parts.prices.get(f"{system}.{name}", repair.cost * self.parts.per_plug)

    @property
    def plugs_per_minute(self) -> float:
        """Labour in the unit in which model files price parts."""
        return self.labour.per_minute / self.parts.per_plug

    def sure(self, system: str, name: str, repair: Repair) -> float:
        """Chance of being needed from which its part is fitted; 0 where none is lost."""
        lost = self.price(system, name, repair) > 0 and not repair.returnable
        return self.parts.sure if lost else 0.0

    def wait(self, repair: Repair) -> float:
        """Money for the days that its part takes to come."""
        dear = repair.cost > self.waiting.on_the_shelf
        return self.waiting.days * self.waiting.per_day if dear else 0.0

    def comes_and_goes(self, fault: tuple[str, str]) -> bool:
        """Whether a fault is one that a short check can miss."""
        return any(matches(p, fault) for p in self.proof.intermittent_faults)

    def proof_minutes(self, faults: Sequence[tuple[str, str]]) -> float:
        """Time of the check after a repair of these faults."""
        hot = any(self.comes_and_goes(f) for f in faults)
        return to_base(self.proof.intermittent if hot else self.proof.solid, "min")

    def missed(
        self, faults: Sequence[tuple[str, str]], unsteady: tuple[str, str] | None = None
    ) -> float:
        """Chance that a machine with these faults left, one of them perhaps known to come and go,
        is handed out as mended."""
        if not faults:
            return 0.0
        hot = all(f == unsteady or self.comes_and_goes(f) for f in faults)
        return self.proof.missed_intermittent if hot else self.proof.missed_solid

    def harm(self, model: SystemModel, test: str, faults: Sequence[tuple[str, str]]) -> float:
        """Money lost on the average by a swap on a machine with these faults: the donor part."""
        lost = 0.0
        for donor in self.donors:
            if donor.system == model.id and donor.test == test and donor.worth in model.repairs:
                spared = 1.0
                for fault in faults:
                    spared *= 1 - max(
                        (c for p, c in donor.ruined_by.items() if matches(p, fault)), default=0.0
                    )
                lost += (1 - spared) * self.price(model.id, donor.worth, model.repairs[donor.worth])
        return lost


def matches(pattern: str, fault: tuple[str, str]) -> bool:
    """Whether 'exc.open', 'exc.*' or '*.hot' means a (component, mode)."""
    component, _, mode = pattern.partition(".")
    return component in ("*", fault[0]) and mode in ("*", fault[1])


def build_shop(raw: Mapping[str, Any]) -> Shop:
    """Check a parsed shop file; ModelError names key, finding and remedy."""
    shop = checked(Shop, raw)
    times = {
        "proof.solid": shop.proof.solid,
        "proof.intermittent": shop.proof.intermittent,
        "gear.renew": shop.gear.renew,
    }
    for key, text in times.items():
        try:
            to_base(text, "min")
        except ModelError as error:
            raise ModelError(f"{key}: {error}") from None
    return shop
