"""The measurement side learned from readings whose truth is known: drawn from the formulas."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from benchodds.basics.errors import ModelError
from benchodds.cli.main import main
from benchodds.infer.network import physics
from benchodds.keep import files
from benchodds.keep.session import load_machine
from benchodds.learn.likelihoods import fault_names
from benchodds.learn.spreads import Law, Laws, Proof, learn
from benchodds.learn.tunework import recompiled
from benchodds.learn.tuning_files import load_laws
from benchodds.learn.written import Written
from benchodds.model.laws import applied, moved, operator_table, stated
from benchodds.model.priors import Spread

STOP, CAP = "stop.switch", "cap.open"
KEY = "quantities.exciter_ohm.random.r"
WINDING = {
    "name": "r",
    "system": "mag-cdi",
    "key": KEY,
    "shift": 0.06,
}


@pytest.mark.parametrize(
    ("text", "shift", "widen", "after"),
    [
        ("LN(0.30 V/rpm, 0.20)", math.log(1.1), 0.0, "LN(0.33 V/rpm, 0.2)"),
        ("LN(1, 0.20)", 0.0, math.log(0.5), "LN(1, 0.1)"),
        ("band(12 ohm, 24 ohm)", 0.0, 0.0, "N(18 ohm, 3 ohm)"),
        ("N(0 ohm, 0.03 ohm)", 0.5, math.log(2), "N(0 ohm, 0.06 ohm)"),
        ("0.6", math.log(2), 0.0, "0.75"),
    ],
)
def test_laws_move(text: str, shift: float, widen: float, after: str) -> None:
    """Median, spread and share, worked by hand; a band is the normal law it stands for."""
    assert moved(text, shift, widen) == after


def test_other_laws_are_refused() -> None:
    """A uniform law has no median and spread of its own to move."""
    with pytest.raises(ModelError, match="neither LN, N, band nor a share"):
        moved("U(0, 1)", 0.1, 0.0)


def test_every_shipped_law_is_there() -> None:
    """Each key of the shipped file names a law in its bench or model that can move."""
    for law in load_laws().laws:
        model = files.load_system(law.system or "mag-cdi")
        machine = load_machine(model.id, None, model.id)
        where = machine.model if law.system else machine.bench
        before = Spread(name="x", key=law.key, law="", was="", provenance="test", system=law.system)
        text = moved(stated(where, law.key), 0.1, 0.1)
        new = applied(machine.model, machine.bench, [before.model_copy(update={"law": text})])
        assert stated(new[0] if law.system else new[1], law.key) == text


def test_only_what_a_law_touches_is_compiled_anew() -> None:
    """The quick compilation equals the whole one, table by table."""
    machine = load_machine("mag-cdi", "early", "mag-cdi")
    laws = [
        Spread(
            name="k",
            system="mag-cdi",
            key="quantities.exciter.random.k",
            law="LN(0.33 V/rpm, 0.2)",
            was="",
            provenance="test",
        ),
        Spread(name="l", key="leads.raw", law="LN(0.3 ohm, 0.4)", was="", provenance="test"),
    ]
    model, bench = applied(machine.model, machine.bench, laws)
    quick = recompiled(machine, model, bench)
    variables, tables = physics(model, bench)
    assert set(tables) == set(quick.tables)
    assert all(np.allclose(tables[n].p, quick.tables[n].p, atol=1e-12) for n in tables)
    assert not np.allclose(tables["exciter"].p, machine.tables["exciter"].p)
    assert not np.allclose(variables["leads"].values, machine.variables["leads"].values)


def proofs(n: int, draw, operator: str = "") -> list[Proof]:  # type: ignore[no-untyped-def]
    """Jobs on which a shorted stop switch was proved; readings drawn for each."""
    machine = load_machine("mag-cdi", "early", "mag-cdi")
    fault = fault_names(machine.model).index(STOP)
    days = [f"{2020 + i // 300}-{1 + i // 28 % 12:02}-{1 + i % 28:02}" for i in range(n)]
    return [Proof(d, "early", operator, draw(), fault, 1) for d in days]


def found(jobs: list[Proof], **law: object) -> tuple[Laws, object]:
    """What one law learns."""
    one = Law.model_validate({"provenance": "test", **law})
    laws = load_laws().model_copy(update={"laws": (one,), "most_jobs": 60})
    machine = load_machine("mag-cdi", "early", "mag-cdi")
    return learn("mag-cdi", jobs, lambda v: machine, recompiled, laws)


def ohms(centre: float, sd: float, rng: np.random.Generator):  # type: ignore[no-untyped-def]
    """Readings of a good exciter winding at 20 degrees with nulled leads, N(centre, sd)."""
    how = (("leads", "nulled"), ("temp_c", 20.0), ("unplugged", True))

    def draw() -> tuple[Written, ...]:
        return (Written("rexc", (f"{rng.normal(centre, sd):.1f}",), how),)

    return draw


def test_good_parts_within_their_limits() -> None:
    """Windings that lie 8 % above the middle of their band: the middle follows, most of the way;
    the closed form of a normal mean with a normal prior says how far."""
    rng = np.random.default_rng(5)
    jobs = proofs(30, ohms(18 * 1.08, 2.0, rng))
    learned = found(
        jobs,
        name="r",
        system="mag-cdi",
        key="quantities.exciter_ohm.random.r",
        shift=0.06,
        widen=0.2,
    )
    (tried,) = learned.tried
    assert tried.taken and tried.gain > 0
    sd_of_mean, sd_prior = 4.5 / math.sqrt(30), 0.06 * 18  # the file's sd, not the drawn one
    pull = sd_prior**2 / (sd_prior**2 + sd_of_mean**2)
    assert tried.shift[0] == pytest.approx(1 + 0.08 * pull, abs=0.025)
    assert tried.shift[1] < 1.08 < tried.shift[2] + 0.02


def test_what_is_as_the_file_says_stays() -> None:
    """Windings drawn from the band itself: the interval holds 1, and the move is small."""
    rng = np.random.default_rng(6)
    jobs = proofs(24, ohms(18, 4.5, rng))
    learned = found(
        jobs,
        name="r",
        system="mag-cdi",
        key="quantities.exciter_ohm.random.r",
        shift=0.06,
        widen=0.0,
    )
    (tried,) = learned.tried
    assert tried.shift[1] < 1 < tried.shift[2]
    assert abs(tried.shift[0] - 1) < 0.06


def kicks(speed: float, rng: np.random.Generator, operator: str):  # type: ignore[no-untyped-def]
    """Three kicks at a good exciter by someone of this speed: sections of the bench's physics
    anew (rpm LN(400, .2), k LN(.30, .2), capture a mixture of two beta laws, diode and droop)."""
    how = (("how", "firm-kick"), ("meter", "10M"), ("operator", operator), ("unplugged", True))

    def draw() -> tuple[Written, ...]:
        k, mine = 0.30 * rng.lognormal(0, 0.2), speed * rng.lognormal(0, 0.05)
        hold = 1e-6 * 0.22 * rng.lognormal(0, 0.6)
        tau = 10e6 * hold
        droop = tau / 0.33 * (1 - math.exp(-0.33 / tau))
        values = []
        for _ in range(3):
            rpm = mine * 400 * rng.lognormal(0, 0.2)
            c = rng.beta(20, 1.5) if rng.random() < 0.6 else rng.beta(1.2, 2.5)
            turned = rng.random() > 0.04
            values.append(f"{max(0.0, droop * (c * k * rpm - 0.6)) * turned:.0f}")
        return (Written("vexc", tuple(values), how),)

    return draw


@pytest.mark.slow
def test_an_operator_who_kicks_softly() -> None:
    """Kicks at 0.72 of the usual speed pull that person's speed down, and only theirs."""
    rng = np.random.default_rng(7)
    jobs = proofs(20, kicks(0.72, rng, "Fenwick"), operator="Fenwick")
    learned = found(jobs, name="s", key="operator.speed", shift=0.1, widen=0.0, by="operator")
    (tried,) = learned.tried
    assert tried.whose == "Fenwick" and tried.taken
    assert tried.shift[2] < 0.97
    (spread,) = learned.spreads
    machine = load_machine("mag-cdi", "early", "mag-cdi")
    variable, plain = machine.variables["operator"], machine.tables["operator"]
    x = variable.values
    own = operator_table([spread], "Fenwick", variable, plain)
    assert float(own.p @ x) < float(plain.p @ x)
    assert operator_table([spread], "Quill", variable, plain) is plain
    model, bench = applied(machine.model, machine.bench, [spread])
    assert bench == machine.bench and model == machine.model


def test_operators_law_on_the_benchs_points() -> None:
    """Reweighed Gauss points keep the mean of LN(0.9, 0.15): exp(ln .9 + .15^2 / 2)."""
    machine = load_machine("mag-cdi", "early", "mag-cdi")
    variable, plain = machine.variables["operator"], machine.tables["operator"]
    own = Spread(
        name="s",
        key="operator.speed",
        operator="Quill",
        law="LN(0.9, 0.15)",
        was="LN(1, 0.20)",
        provenance="test",
    )
    table = operator_table([own], "Quill", variable, plain)
    assert float(table.p @ variable.values) == pytest.approx(0.9 * math.exp(0.15**2 / 2), rel=0.005)


def test_tuned_spreads_are_used_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Through the command: windings 10 % high are learned, stated in the set, and in the machine
    that its jobs are judged by."""
    load_machine.cache_clear()  # sets of the same name in other tests
    own = tmp_path / "own" / "priors"
    (own / "tuning").mkdir(parents=True)
    monkeypatch.setenv("BENCHODDS_FOLDER", str(tmp_path / "own"))
    text = files.find("priors", "mag-cdi").parent.joinpath("tuning", "spreads.toml").read_text()
    head, *laws = text.split("[[laws]]")
    mine = next(law for law in laws if KEY in law)
    (own / "tuning" / "spreads.toml").write_text(f"{head}[[laws]]{mine}", encoding="utf-8")
    rng = np.random.default_rng(8)
    draw = ohms(18 * 1.1, 2.0, rng)
    rows = []
    for i in range(24):
        (reading,) = draw()
        said = {
            "test": "rexc",
            "values": list(reading.values),
            "technique": dict(reading.technique),
        }
        rows.append(
            {"job": f"j{i}", "closed": f"2024-0{1 + i // 10}-{1 + i % 28:02}", "system": "mag-cdi"}
            | {"complaint": "no-spark", "faults": [CAP], "grade": "bench-bad", "readings": [said]}
        )
    past = tmp_path / "past.jsonl"
    past.write_text("".join(json.dumps(r) + "\n" for r in rows), encoding="utf-8")
    args = ["tune", str(past), "--spreads", "--even-if-worse", "--json"]
    result = CliRunner().invoke(main, args)
    assert result.exit_code == 0, result.output
    (tried,) = json.loads(result.output)["systems"]["mag-cdi"]["spreads"]
    assert tried["taken"] and 1.03 < tried["factor"] < 1.12
    tuned = load_machine("mag-cdi", "early", "mag-cdi-tuned-1")
    assert tuned.priors.spreads[0].was == "band(9 ohm, 27 ohm)"
    assert tuned.model.quantities["exciter_ohm"].random["r"] == tuned.priors.spreads[0].law
    late = load_machine("mag-cdi", "late", "mag-cdi-tuned-1")
    assert late.model.quantities["exciter_ohm"].random["r"] == "band(12 ohm, 24 ohm)"
