"""The gear: the bench's own numbers (read from a data file) and the latent nodes they make.

Adapter, meter, leads and operator speed are shared by all readings of a session: one node
each. A hook-up is a node per placing of the probes.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray

from benchodds.basics.distributions import parse_distribution
from benchodds.basics.errors import ModelError, nearest
from benchodds.basics.forms import Form, Within, checked
from benchodds.basics.language import _
from benchodds.basics.meterdata import parse_impedance
from benchodds.basics.tables import Table, Variable


class Operator(Form):
    """Speed factor of a person, shared by a session."""

    speed: str
    points: Annotated[int, Within(ge=1, le=25)]
    provenance: str


class Cranking(Form):
    """One way of turning the engine."""

    title: str
    rpm: str
    no_turn: Annotated[float, Within(ge=0, lt=1)]
    capture: str
    share: Annotated[float, Within(ge=0, le=1)]
    setup: str = ""
    provenance: str


class Capture(Form):
    """Share of the true peak that is caught: a mixture of two beta laws."""

    good: str
    poor: str
    weight: dict[str, float]
    provenance: str


class Adapter(Form):
    """The peak-hold adapter."""

    dead: Annotated[float, Within(gt=0, lt=1)]
    prove_at: Annotated[float, Within(gt=0, le=1)]
    diode: str
    hold: str
    hold_points: Annotated[int, Within(ge=1, le=9)]
    gate: str
    provenance: str


class Hookup(Form):
    """Chances that the probes touch poorly (a share of the peak arrives) or not at all."""

    poor: Annotated[float, Within(gt=0, lt=0.5)]
    poor_share: str
    bad: Annotated[float, Within(gt=0, lt=0.5)]
    provenance: str


class Meter(Form):
    """A meter when nothing is said about it.

    One that is off reads by a factor too high or low, the same in all its readings: ``gains``
    are such factors with their shares, ``gain_spread`` what lies between them.
    """

    bad: Annotated[float, Within(gt=0, lt=1)]
    prove_at: Annotated[float, Within(gt=0, le=1)]
    gains: Annotated[dict[str, float], Within(min_length=1)]
    gain_spread: Annotated[float, Within(gt=0, lt=0.5)]
    input: dict[str, float]
    dc_volts: str
    ohms: str
    other: str
    volt_ranges: tuple[str, ...]
    ohm_ranges: tuple[str, ...]
    counts: int
    over_range_when_open: float
    over_range_by_contact: float
    auto_range: float
    unstable_good: float
    unstable_bad: float
    beep: str = "LN(35 ohm, 0.5)"
    """Ohms below which its continuity tester beeps."""
    provenance: str

    @property
    def off(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Gains of a meter that is off, and their shares."""
        share = np.array(list(self.gains.values()))
        return np.array([float(g) for g in self.gains]), share / share.sum()

    @property
    def bad_spread(self) -> float:
        """Standard deviation of the gain of a meter that is off, about 1."""
        gain, share = self.off
        return float(np.sqrt(share @ (gain - 1) ** 2 + self.gain_spread**2))


class Leads(Form):
    """Lead and contact resistance in an ohms reading."""

    raw: str
    points: Annotated[int, Within(ge=1, le=15)]
    nulled: str
    nulled_share: float
    contact: str
    provenance: str


class Sparks(Form):
    """The eye."""

    missed: dict[Literal["dark", "shade", "daylight"], float]
    imagined: float
    light: dict[Literal["dark", "shade", "daylight"], float]
    provenance: str


class Slip(Form):
    """A share of every likelihood is that of a slip: of one shape or another, or of none.

    ``zero``: nothing was touched. ``terminal``: another one was. ``unit``: off by a thousand.
    ``digits``: two of them swapped. The rest shows anything.
    """

    chance: Annotated[float, Within(gt=0, lt=0.2)]
    zero: Annotated[float, Within(ge=0, le=1)]
    terminal: Annotated[float, Within(ge=0, le=1)]
    unit: Annotated[float, Within(ge=0, le=1)]
    digits: Annotated[float, Within(ge=0, le=1)]
    provenance: str

    def __post_init__(self) -> None:
        if self.zero + self.terminal + self.unit + self.digits >= 1:
            raise ValueError(_("the shapes of slips leave nothing for any other"))


class Work(Form):
    """What work on a machine does, where a model file says nothing else of a repair.

    ``holds``: chance that cleaning or adjusting clears a fault it is for, and ``holds_again``
    when it was tried before. ``dud``: chance that a new part is bad, wrong or badly fitted.
    ``returns``: chance that what was mended and passed its check is back within a week.
    """

    holds: Annotated[float, Within(gt=0, lt=1)]
    holds_again: Annotated[float, Within(gt=0, lt=1)]
    dud: Annotated[float, Within(gt=0, lt=1)]
    returns: Annotated[float, Within(gt=0, lt=1)]
    provenance: str


class Fade(Form):
    """Mean time and number of jobs until something has happened to an item."""

    time: str
    jobs: Annotated[float, Within(gt=0)]


class Cards(Form):
    """What lasts from one job to the next, and what a proof of the adapter leaves in doubt."""

    fade: dict[Literal["adapter", "meter", "input", "leads"], Fade]
    proved_dead: Annotated[float, Within(gt=0, lt=0.5)]
    provenance: str


class Bench(Form):
    """All of the bench file."""

    schema: Literal[1]
    id: str
    version: str
    operator: Operator
    cranking: dict[str, Cranking]
    capture: Capture
    adapter: Adapter
    hookup: Hookup
    meter: Meter
    leads: Leads
    temperature: dict[str, Any]
    sparks: Sparks
    slip: Slip
    work: Work
    cards: Cards
    digest: str = ""
    """Hash of the file's content; not written in a file."""


def turned(bench: Bench, shares: Mapping[str, float]) -> Bench:
    """The bench with other shares of the ways of cranking, as they are on one kind of machine.

    Raises
    ------
    ModelError
        A way that the bench does not know, or no share above zero.
    """
    for name in shares:
        if name not in bench.cranking:
            raise ModelError(
                f"cranking.{name}: "
                + _("'{name}' is not a way of cranking{hint}").format(
                    name=name, hint=nearest(name, bench.cranking)
                )
            )
    if shares and not sum(shares.values()) > 0:
        raise ModelError("cranking: " + _("the shares are all zero"))
    ways = {
        name: way.model_copy(update={"share": shares.get(name, 0.0)})
        for name, way in bench.cranking.items()
    }
    return bench.model_copy(update={"cranking": ways})


def build_bench(raw: Mapping[str, Any]) -> Bench:
    """Check a parsed bench file; ModelError names key, finding and remedy."""
    return checked(Bench, raw)


def gear_nodes(bench: Bench) -> tuple[dict[str, Variable], dict[str, Table]]:
    """The session's latent nodes with their priors: operator, adapter, meter, input, leads.

    Continuous ones stand on Gauss-Hermite points, exact for smooth likelihoods.
    """
    variables: dict[str, Variable] = {}
    tables: dict[str, Table] = {}

    def numeric(name: str, text: str, n: int, unit: str) -> None:
        x, w = parse_distribution(text).gauss(n)
        states = tuple(f"{v:.4g}" for v in x)
        variables[name] = Variable(name, states, x[:, None], unit)
        tables[name] = Table((name,), w)

    def named(name: str, shares: Mapping[str, float]) -> None:
        variables[name] = Variable(name, tuple(shares))
        p = np.array(list(shares.values()))
        tables[name] = Table((name,), p / p.sum())

    numeric("operator", bench.operator.speed, bench.operator.points, "")
    # A live adapter by the size of its capacitor, and a dead one: one node, as both persist.
    held, w = parse_distribution(bench.adapter.hold).gauss(bench.adapter.hold_points)
    p_dead = bench.adapter.dead
    variables["adapter"] = Variable(
        "adapter",
        (*(f"ok {c:.2g} uF" for c in held), "dead"),
        np.append(held, 0.0)[:, None],
        "uF",
    )
    tables["adapter"] = Table(("adapter",), np.append((1 - p_dead) * w, p_dead))
    gain, share = bench.meter.off
    named(
        "meter",
        {"ok": 1 - bench.meter.bad}
        | {
            f"off {100 * (g - 1):+.0f} %": bench.meter.bad * w
            for g, w in zip(gain, share, strict=True)
        },
    )
    named("input", bench.meter.input)
    ohm = [parse_impedance(k).at(None) or 0.0 for k in bench.meter.input]
    variables["input"] = Variable("input", tuple(bench.meter.input), np.array(ohm)[:, None], "ohm")
    numeric("leads", bench.leads.raw, bench.leads.points, "ohm")
    return variables, tables


def hookup_shares(bench: Bench) -> NDArray[np.float64]:
    """Chances of a sound, a poor and a bad placing of the probes."""
    poor, bad = bench.hookup.poor, bench.hookup.bad
    return np.array([1 - poor - bad, poor, bad])


def hookup_node(name: str, bench: Bench) -> tuple[Variable, Table]:
    """One placing of the probes: ok, poor or bad."""
    return Variable(name, ("ok", "poor", "bad")), Table((name,), hookup_shares(bench))
