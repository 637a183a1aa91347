"""Checking model and prior files: every mistake at once, doubts, separability, a first hour."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from click.testing import CliRunner

from benchodds.author import checkreport
from benchodds.author.doubts import doubts_in_model
from benchodds.author.firsthour import first_hour
from benchodds.author.modelcheck import Checked, check
from benchodds.author.separability import Separability, expected_decibans, separability
from benchodds.basics.tomlines import key_lines, line_of
from benchodds.cli.main import main
from benchodds.infer.assess import Machine
from benchodds.infer.network import physics
from benchodds.keep.files import find, load_bench, load_priors, load_system
from benchodds.keep.shopfile import load_shop
from benchodds.model.system import build_system
from fuzz_seeds import small_model, small_priors


class Slip(NamedTuple):
    """One mistake: where, what stands there, what is written instead, and what must be said."""

    file: str
    old: str
    new: str
    key: str
    said: str


M, P = "models", "priors"
SLIPS = (
    Slip(
        M,
        '"clutch.open" = { cranks = 0.96, same = 0.04 } }',
        '"clutch.open" = {} }',
        "tests.clutch-bridge.causes.'clutch.open'",
        "sum to 0",
    ),
    Slip(
        M,
        '"switch.*" = "main-switch"',
        '"switch.*" = "main switch"',
        "shared.'switch.*'",
        "no name",
    ),
    Slip(M, "cost = 18", "cost = inf", "repairs.one-way.cost", "finite"),
    Slip(
        P,
        "{ slow-crank = 8, no-crank = 4 }",
        "{ slow-crank = inf, no-crank = 4 }",
        "rows.9.share",
        "inf for",
    ),
    Slip(
        M,
        'by = ["reg.dead", "reg.phase"',
        'by = ["reg.ded", "reg.phase"',
        "meets.charging.raises.'battery.flat'",
        "'reg.dead'",
    ),
    Slip(
        M, "[complaints]", "[cranking]\nkik = 1\n\n[complaints]", "cranking.kik", "way of cranking"
    ),
    Slip(M, 'bench = "bench"', 'bensh = "bench"', "bensh", "'bench'"),
    Slip(M, '"ground.*" = "earth"', '"ground.*" = "earth.highR"', "shared.'ground.*'", "a name"),
    Slip(
        P,
        "share = { slow-crank = 15, no-crank = 8 }",
        "share = { slow-crank = 15, no-crank = 8 }\nvariants = { lat = { no-crank = 9 } }",
        "rows.1.variants.lat",
        "'late'",
    ),
    Slip(
        P,
        "unnoticed = { slow-crank",
        "unnoticed = { slow-cranc",
        "together.unnoticed",
        "slow-crank",
    ),
    Slip(
        P,
        "[contexts.battery-new]",
        '[contexts.battery-new]\nsaid_by = ["slow-cranc"]',
        "contexts.battery-new.said_by",
        "slow-crank",
    ),
    Slip(
        M,
        'minutes = "6 min"\nneeds = ["D"]',
        'minutes = "0 min"\nneeds = ["D"]',
        "tests.bench-spin.minutes",
        "at least 0.1 min",
    ),
    Slip(M, 'minutes = "60 min"', 'minutes = "-60 min"', "repairs.motor.minutes", "at least 0"),
    Slip(M, 'default_variant = "early"', 'default_variant = "earli"', "default_variant", "'early'"),
    Slip(
        M, 'title = "starter relay"', 'titel = "starter relay"', "components.relay.titel", "title"
    ),
    Slip(M, "modes = { slip =", "modes = { Slip =", "components.sprag.modes.Slip", "small letter"),
    Slip(
        M,
        'unit = "V"\ngrid = { low = "9.2',
        'unit = "Volts"\ngrid = { low = "9.2',
        "quantities.rest_volt.unit",
        "not a unit",
    ),
    Slip(
        M,
        'knee = "0.001 ohm", below = 10, high = "0.316228 ohm"',
        'knee = "1 ohm", below = 10, high = "0.316228 ohm"',
        "quantities.r_plus.grid",
        "low < knee < high",
    ),
    Slip(
        M,
        '"series(r_plus, r_cable)"',
        '"series(r_plus, r_cabel)"',
        "quantities.r_pc.formula",
        "'r_cable'",
    ),
    Slip(
        M,
        '"series(r_pc, r_relay)"',
        '"serie(r_pc, r_relay)"',
        "quantities.r_feed.formula",
        "known functions",
    ),
    Slip(
        M,
        '"sag(e, amps, r)"',
        '"sag(e, amps, load_volt)"',
        "quantities.v_bat.formula",
        "stands below",
    ),
    Slip(
        M,
        'random.lugs = "LN(0.0006 ohm, 0.4)"',
        'random.lugs = "LG(0.0006 ohm, 0.4)"',
        "quantities.r_cable.random.lugs",
        "LG(0.0006 ohm, 0.4)",
    ),
    Slip(
        M,
        'random.good = "LN(0.0011 ohm, 0.4)"',
        'random.good = "LN(0.0011 ohm)"',
        "quantities.r_ground.random.good",
        "2 numbers",
    ),
    Slip(
        M,
        'modes.c = { of = "relay", by',
        'modes.c = { of = "relais", by',
        "quantities.coil_ohm.modes.c.of",
        "'relay'",
    ),
    Slip(
        M,
        'of = "button", otherwise = "0 ohm", by = { highR',
        'of = "button", otherwise = "0 ohm", by = { highr',
        "quantities.button_ohm.modes.b.by.highr",
        "'highR'",
    ),
    Slip(
        M,
        'needs = ["A", "N", "T", "M"]',
        'needs = ["A", "N", "TT", "M"]',
        "tests.drop-cable.needs",
        "'T'",
    ),
    Slip(
        M,
        '"load-tester", "lithium"]',
        '"loadtester", "lithium"]',
        "tests.vbat-load.cautions",
        "'load-tester'",
    ),
    Slip(
        M,
        'minutes = "12 min"\nact_at = 0.7',
        'minutes = "12 parsecs"\nact_at = 0.7',
        "repairs.new-relay.minutes",
        "minutes is expected",
    ),
    Slip(M, 'limit = { min = "55 A"', 'limit = { min = "155 A"', "tests.icrank.limit", "not below"),
    Slip(
        M, 'limit = { max = "0.8 ohm"', 'limit = { max = "0.8 V"', "tests.rbutton.limit.max", "ohm"
    ),
    Slip(
        M,
        'measurand = "load_volt"',
        'measurand = "loadvolt"',
        "tests.vbat-load.limit.measurand",
        "'load_volt'",
    ),
    Slip(
        M,
        "base = { free = 0.95, heavy = 0.045",
        "base = { free = 0.95, heavy = 0.45",
        "tests.turn-hand.base",
        "sum to 1",
    ),
    Slip(
        M,
        '"drag.seized" = { stuck',
        '"drag.sized" = { stuck',
        "tests.turn-hand.causes.'drag.sized'",
        "'seized'",
    ),
    Slip(
        M,
        'outcomes = ["good", "blown"]\npasses = ["good"]',
        'outcomes = ["good", "blown"]\npasses = ["fine"]',
        "tests.fuse-look.passes",
        "blown, good",
    ),
    Slip(
        M,
        'requires = ["vbat-load"]',
        'requires = ["vbat-lode"]',
        "repairs.new-battery.requires",
        "'vbat-load'",
    ),
    Slip(
        M, 'clears = ["sprag.*"]', 'clears = ["sprag"]', "repairs.one-way.clears", "component.mode"
    ),
    Slip(
        M,
        'act_at = 0.85\nrequires = ["listen"]',
        'act_at = 85\nrequires = ["listen"]',
        "repairs.one-way.act_at",
        "at most 1 (found 85)",
    ),
    Slip(
        M, 'span = ["5 V", "17 V"]', 'span = ["17 V", "5 V"]', "tests.vbat-rest.span", "not below"
    ),
    Slip(
        M,
        'kind = "look"\nminutes = "10 min"',
        'kind = "looks"\nminutes = "10 min"',
        "tests.brushes.kind",
        "did you mean 'look'",
    ),
    Slip(
        M,
        '"setups.A.minutes" = "3 min"',
        '"setup.A.minutes" = "3 min"',
        "variants.late.set.'setup.A.minutes'",
        "'setups'",
    ),
    Slip(
        M,
        'only = ["early"]\ntitle = "charged',
        'only = ["erly"]\ntitle = "charged',
        "tests.vbat-load.only",
        "'early'",
    ),
    Slip(
        M,
        ', source = "invented for this machine" }\ntools = "ohmmeter"\nprovenance = "judgement"'
        "\n\n[tests.relay-direct]",
        ' }\ntools = "ohmmeter"\nprovenance = "judgement"\n\n[tests.relay-direct]',
        "tests.rcoil.limit.source",
        "missing; manual",
    ),
    Slip(
        M, 'minutes = "3 min"\nneeds = ["P"]', 'needs = ["P"]', "tests.turn-hand.minutes", "missing"
    ),
    Slip(M, 'tools = "vice, leads', 'tols = "vice, leads', "tests.bench-spin.tols", "'tools'"),
    Slip(M, "tries = 10", "tries = 10", "", ""),
    Slip(
        P, 'fault = "battery.worn"', 'fault = "battery.wornout"', "rows.1.fault", "'battery.worn'"
    ),
    Slip(P, "{ slow-crank = 6.5,", "{ slow-crank = -6.5,", "rows.3.share", "not negative"),
    Slip(P, "{ slow-crank = 9.5,", "{ slow-cranc = 9.5,", "rows.4.share", "'slow-crank'"),
    Slip(P, "[contexts.washed]", "[contexts.washd]", "contexts.washd", "'washed'"),
    Slip(
        P,
        '[[rows]]\nfault = "motor.open"\nshare = { slow-crank = 0.5, no-crank = 4.5 }\n'
        'provenance = "judgement"\n',
        "",
        "rows",
        "no row for",
    ),
    Slip(
        P,
        'raises = "postneg.loose"\ntimes = 4',
        'raises = "postneg.tight"\ntimes = 4',
        "links.1.raises",
        "'postneg.loose'",
    ),
    Slip(
        P,
        'times = 2\nprovenance = "judgement: a relay',
        'times = -2\nprovenance = "judgement: a relay',
        "links.2.times",
        "more than 0",
    ),
    Slip(P, "strength = 40", 'strength = "forty"', "strength", "plain number"),
    Slip(P, 'system = "starter"', 'system = "stator"', "system", "'starter'"),
)
SLIPS = tuple(s for s in SLIPS if s.key)


@cache
def shipped(kind: str, name: str = "starter") -> str:
    return find(kind, name).read_text(encoding="utf-8")


def broken(folder: Path, slips: Sequence[Slip], name: str = "starter") -> Path:
    """Copies of a shipped model and its priors with mistakes in them."""
    for kind in (M, P):
        text = shipped(kind, name)
        for slip in slips:
            if slip.file == kind:
                assert text.count(slip.old) == 1, slip.old
                text = text.replace(slip.old, slip.new)
        (folder / kind).mkdir(exist_ok=True)
        (folder / kind / f"{name}.toml").write_text(text, encoding="utf-8")
    return folder / M / f"{name}.toml"


def found(checked: Checked, slip: Slip) -> bool:
    """Whether the mistake is among the remarks, with the line that it stands in."""
    for r in checked.mistakes:
        if r.key == slip.key and slip.said in r.text and r.path.parent.name == slip.file:
            assert r.line is not None
            line = r.path.read_text(encoding="utf-8").splitlines()[r.line - 1]
            path = [p.strip("'") for p in slip.key.split(".")]
            written = any(p in line for p in path if not p.isdigit())
            return written or line.startswith("[[rows]]")
    return False


@pytest.mark.parametrize("slip", SLIPS[::4], ids=lambda s: s.key)
def test_each_mistake_is_found(slip: Slip, tmp_path: Path) -> None:
    """One mistake alone (one in four of them, for time): file, line, key, and what is right."""
    assert found(check(str(broken(tmp_path, [slip]))), slip)


def test_all_mistakes_are_found_in_one_run(tmp_path: Path) -> None:
    """All of them in one pair of files: each is said, and next to nothing besides."""
    checked = check(str(broken(tmp_path, SLIPS)))
    missed = [s.key for s in SLIPS if not found(checked, s)]
    assert not missed
    keys = {s.key for s in SLIPS}
    echoes = [r for r in checked.mistakes if r.key not in keys]
    # a title written as titel is also missing; a renamed mode or part is unknown elsewhere
    assert len(echoes) <= 6, [(r.key, r.text) for r in echoes]
    lines = [r.line or 0 for r in checked.mistakes if r.path.parent.name == M]
    assert lines == sorted(lines)


def test_the_command_prints_them_and_fails(tmp_path: Path) -> None:
    """Text and JSON say the same; the exit code is 1, and no traceback is shown."""
    path = broken(
        tmp_path, [s for s in SLIPS if s.key in ("default_variant", "tests.fuse-look.passes")]
    )
    result = CliRunner().invoke(main, ["check", str(path)])
    assert result.exit_code == 1
    assert "default_variant" in result.output and "did you mean 'early'" in result.output
    data = json.loads(CliRunner().invoke(main, ["check", str(path), "--json"]).output)
    assert data["schema"] == 1
    assert all(r["line"] for r in data["remarks"])


def test_what_cannot_be_read_at_all(tmp_path: Path) -> None:
    """Broken TOML, a missing file, no variants, no priors: a sentence each, never a traceback."""
    bad = tmp_path / "bad.toml"
    for text, said in (
        ("a = ", "not valid TOML"),
        ("a = 1\na = 2", "not valid TOML"),
        ("", "variants: missing"),
        ('[variants.one]\ntitle = "one"', "components: missing"),
        ("variants = 3", "variants: missing"),
        ('[variants.one]\ntitle = "one"\n[components]\nx = 3\n[tests]\nt = "a"\n', "a table"),
    ):
        bad.write_text(text, encoding="utf-8")
        result = CliRunner().invoke(main, ["check", str(bad)])
        assert result.exit_code in (1, 2), result.output
        output = " ".join(result.output.split())
        assert said in output.replace(" missing", ": missing") or said in output, output
        assert "Traceback" not in output
    assert CliRunner().invoke(main, ["check", str(tmp_path / "none.toml")]).exit_code == 2
    alone = tmp_path / "alone.toml"
    alone.write_text(shipped(M).replace('id = "starter"', 'id = "alone"'), encoding="utf-8")
    assert "no prior file" in CliRunner().invoke(main, ["check", str(alone)]).output


NINES = "9" * 400


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('formula = "r * b"', 'formula = "clip(r)"'),
        ('formula = "r * b"', 'formula = "where(r, b)"'),
        ('formula = "r * b"', 'formula = "1/0"'),
        ('formula = "r * b"', f'formula = "r * {NINES[:380]}"'),
        ("cells = 16", f"cells = {NINES}"),
        ("cells = 16", f"cells = {NINES * 12}"),
        ("schema = 1", f"schema = {NINES}"),
        ('minutes = "2 min"', 'minutes = "-2 min"'),
        ('minutes = "2 min"', f'minutes = "{NINES} min"'),
        ('title = "battery"', 'title = "' + "x" * 200_000 + '"'),
    ],
)
def test_numbers_and_calls_beyond_bounds(old: str, new: str, tmp_path: Path) -> None:
    """A remark or a sentence of bounded length, never a traceback."""
    text = small_model().decode()
    assert old in text
    for kind, words in (("models", text.replace(old, new, 1)), ("priors", small_priors())):
        (tmp_path / kind).mkdir()
        (tmp_path / kind / "mine.toml").write_text(words, encoding="utf-8")
    result = CliRunner().invoke(main, ["check", str(tmp_path / "models" / "mine.toml")])
    assert result.exception is None or isinstance(result.exception, SystemExit)
    if "title" not in old:
        assert result.exit_code in (1, 2) and len(result.output) < 3000, result.output


def test_a_model_with_a_byte_order_mark(tmp_path: Path) -> None:
    """As some editors write it; any other encoding is refused with its line."""
    for kind, words in (("models", small_model().decode()), ("priors", small_priors())):
        (tmp_path / kind).mkdir()
        (tmp_path / kind / "mine.toml").write_text(words, encoding="utf-8-sig")
    model = tmp_path / "models" / "mine.toml"
    assert CliRunner().invoke(main, ["check", str(model)]).exit_code == 0
    model.write_bytes(b"# one\n# Ren\xe9\n")
    said = CliRunner().invoke(main, ["check", str(model)])
    assert said.exit_code == 2 and "line 2: is not text in UTF-8 (byte 0xe9)" in said.output


# ---- doubts ----------------------------------------------------------------------------------

DOUBTFUL = (
    Slip(M, "[meets.charging]", "[meets.chargin]", "meets.chargin", "no system 'chargin' is known"),
    Slip(
        M,
        'worn = "U(5 V, 9.7 V)"',
        'worn = "U(5 min, 9.7 min)"',
        "quantities.load_volt.modes.v",
        "V and min cannot be put together",
    ),
    Slip(
        M,
        'formula = "series(r_plus, r_cable)"',
        'formula = "r_plus * r_cable"',
        "quantities.r_pc.formula",
        "comes to V^2 A^-2, not ohm",
    ),
    Slip(
        M,
        'modes = { heavy = "turns heavily",',
        'modes = { heavy = "turns heavily", rust = "r",',
        "components.drag.modes",
        "no test can see drag.rust; a test that reads 'rust_mm'",
    ),
    Slip(
        M,
        "# ---- set-ups",
        '[quantities.rust_mm]\ntitle = "rust"\nunit = "mm"\ngrid = { low = '
        '"0.1 mm", high = "9 mm", cells = 4, atoms = ["0 mm"] }\nformula = "r"\nmodes.r = { of = '
        '"drag", otherwise = "0 mm", by = { rust = "U(1 mm, 5 mm)" } }\nprovenance = "test"\n\n'
        "# ---- set-ups",
        "quantities.rust_mm",
        "no test reads it",
    ),
    Slip(
        M,
        'modes = { slip = "slips" }',
        'modes = { slip = "slips", slide = "slides" }',
        "components.sprag.modes",
        "no test can tell sprag.slip from sprag.slide",
    ),
    Slip(
        M,
        '"sprag.slip" = { whirs = 0.95, click = 0.05 }',
        '"sprag.slip" = { whirs = 0.95, click = 0.05 }, '
        '"sprag.slide" = { whirs = 0.95, click = 0.05 }',
        "",
        "",
    ),
    Slip(
        M,
        'by = { slip = "N(1.32, 0.058)" }',
        'by = { slip = "N(1.32, 0.058)", slide = "N(1.32, 0.058)" }',
        "",
        "",
    ),
    Slip(
        M,
        "[tests.rcoil]",
        '[tests.moon]\ntitle = "moon"\ndo = "Look up."\nkind = "look"\nminutes'
        ' = "1 min"\noutcomes = ["full", "new"]\nbase = { full = 0.5, new = 0.5 }\nprovenance = '
        '"test"\n\n[tests.rcoil]',
        "tests.moon",
        "tells nothing",
    ),
    Slip(
        M,
        'minutes = "25 min"\nact_at = 0.6',
        'minutes = "0 min"\nact_at = 0.6',
        "repairs.main-switch.minutes",
        "done in no time",
    ),
    Slip(
        M,
        'limit = { max = "0.8 ohm"',
        'limit = { max = "0.01 ohm"',
        "tests.rbutton.limit",
        "a good part meets it",
    ),
    Slip(M, "", "", "tests.rbutton.limit.max", "outside the span"),
    Slip(
        M,
        'clears = ["motor.*"]',
        'clears = ["motor.brushes"]',
        "components.motor.modes",
        "no repair clears motor.open",
    ),
    Slip(M, 'title = "relay in reach"', 'title = "relay in reach"\ncautions = []', "", ""),
    Slip(M, "[cautions]\n", '[cautions]\nnoise = "Loud."\n', "cautions.noise", "nothing shows it"),
    Slip(
        M,
        "[setups.A]\n",
        '[setups.Z]\ntitle = "z"\nminutes = "1 min"\n\n[setups.A]\n',
        "setups.Z",
        "no test needs it",
    ),
    Slip(M, "", "", "setups.Z.provenance", "missing"),
    Slip(
        M,
        'random.area = "0.85: 16 | 0.15: 10"',
        'random.area = "0.85: 16 | 0.15: 10"\nrandom.colour = "2"',
        "quantities.r_cable.random.colour",
        "does not use",
    ),
    Slip(
        P,
        "share = { slow-crank = 17, no-crank = 13 }",
        "share = { slow-crank = 7, no-crank = 13 }",
        "rows",
        "add up to",
    ),
    Slip(
        P,
        "[contexts.battery-new]",
        '[[rows]]\nfault = "drag.rust"\nshare = { slow-crank = 0, '
        'no-crank = 0 }\nprovenance = "test"\n\n[[rows]]\nfault = "sprag.slide"\nshare = { '
        'slow-crank = 0.1, no-crank = 0.1 }\nprovenance = "test"\n\n[contexts.battery-new]',
        "rows.26.share",
        "never found",
    ),
    Slip(
        P,
        '[contexts.silent]\nmultiply = { "relay.coil" = 2, "mainfuse.open" = 2.5, "switch.open" = '
        '2.5, "button.open" = 2.5, "stand.open" = 2.5, "clutch.open" = 2.5, "ground.open" = 1.2, '
        '"*" = 0.4 }',
        "[contexts.silent]\nmultiply = {}",
        "contexts.silent",
        "changes nothing",
    ),
)


def test_doubts(tmp_path: Path) -> None:
    """What is legal and doubtful is said, all of it in one run, and is no mistake."""
    slips = [s for s in DOUBTFUL if s.old]
    checked = check(str(broken(tmp_path, slips)))
    assert not checked.mistakes, checked.mistakes
    for slip in DOUBTFUL:
        if slip.key:
            assert any(r.key == slip.key and slip.said in r.text for r in checked.doubts), slip
    assert "Legal, but doubtful" in checkreport.text(checked)


def test_meetings_name_their_own_faults_too(tmp_path: Path) -> None:
    """The fault on this system's side is looked at as well."""
    slip = Slip(M, 'raises = { "battery.flat"', 'raises = { "battery.flatt"', "", "")
    checked = check(str(broken(tmp_path, [slip])))
    assert any(r.key == "meets.charging.raises.'battery.flatt'" for r in checked.mistakes)


def test_high_voltage_without_a_caution() -> None:
    """A peak or spark test without any caution is doubtful; so is a variant without provenance."""
    raw = tomllib.loads(shipped(M, "mag-cdi"))
    raw["tests"]["vexc"]["cautions"] = []
    raw["variants"]["late"].pop("provenance", None)
    said = list(doubts_in_model(build_system(raw)))
    assert any(d.startswith("tests.vexc.cautions: none") for d in said)
    assert any(d.startswith("variants.late.provenance") for d in said)


# ---- separability and first hour -------------------------------------------------------------


@cache
def starter() -> tuple[Machine, Separability]:
    model, bench = load_system("starter").thinned(), load_bench("bench")
    machine = Machine(model, bench, load_priors("starter"), *physics(model, bench))
    return machine, separability(machine)


def test_decibans_of_two_coins() -> None:
    """Kullback-Leibler divergence of two coins, by hand, in decibans (10 log10).

    P = (0.9, 0.1) against Q = (0.5, 0.5): 0.9 log10(1.8) + 0.1 log10(0.2) = 0.15985; the other
    way 0.5 log10(0.5/0.9) + 0.5 log10(0.5/0.1) = 0.22185. Nothing separates a coin from itself.
    """
    db = expected_decibans(np.array([[0.9, 0.1], [0.5, 0.5]]))
    assert db[0, 1] == pytest.approx(10 * 0.159847, abs=1e-4)
    assert db[1, 0] == pytest.approx(10 * 0.221849, abs=1e-4)
    assert db[0, 0] == db[1, 1] == 0


def test_separability_is_what_technicians_know() -> None:
    """A worn battery is told from a good one by loading it, an earth by its drop, not by ohms."""
    _, found = starter()
    assert found.best_test("battery.worn", "good") in ("vbat-load", "vbat-crank")
    assert found.best_test("relay.coil", "good") in (
        "rcoil",
        "listen",
        "drop-sol",
        "icrank",
        "drop-pos",  # a relay that does not pull leaves the whole battery across the plus path
    )
    rcable = found.weight_db[found.tests.index("rcable")]
    i, j = found.states.index("cable.highR"), found.states.index("good")
    assert rcable[i, j] < 0.5, "ohms of a starter cable say nothing"
    assert rcable[found.states.index("cable.open"), j] > 10
    ground = found.weight_db[found.tests.index("drop-gnd")]
    assert ground[found.states.index("ground.highR"), j] > 10
    assert np.allclose(np.diagonal(found.weight_db, axis1=1, axis2=2), 0, atol=1e-9)


def test_first_hour_keeps_to_its_time() -> None:
    """No more than the minutes given, no test twice, set-ups before the tests that need them."""
    machine, _ = starter()
    for complaint in machine.model.complaints:
        for minutes in (10.0, 60.0):
            hour = first_hour(machine, complaint, load_shop("shop"), minutes)
            assert sum(s.minutes for s in hour.steps) <= minutes
            tests = [s.test for s in hour.steps]
            assert len(tests) == len(set(tests)) > 0
            opened: set[str] = set()
            for step in hour.steps:
                opened |= set(step.setups)
                assert set(machine.model.setups_of(step.test)) <= opened


# ---- lines ------------------------------------------------------------------------------------


def test_lines_of_keys() -> None:
    """Every key that the standard library's parser finds has the line it stands in."""
    text = (
        'a = 1\n"b.c" = """x\n[no] y = 2\n"""\n[t]\nd.e = { f = 1 }\n[[r]]\nx = 1\n'
        "[[r]]\n# [z]\ny = [\n  1,\n  2,\n]\n[r.sub]\nq = 1\n"
    )
    lines = key_lines(text)
    assert lines[("a",)] == 1 and lines[("b.c",)] == 2 and lines[("t", "d", "e")] == 6
    assert lines[("r", "0", "x")] == 8 and lines[("r", "1", "y")] == 11
    assert lines[("r", "1", "sub", "q")] == 16
    assert ("no",) not in lines and ("z",) not in lines
    assert line_of(lines, ("t", "d", "e", "f")) == 6
    assert line_of(lines, ("nowhere",)) is None


@pytest.mark.parametrize("name", ["mag-cdi", "dc-cdi", "tci", "charging", "starter"])
@pytest.mark.parametrize("kind", [M, P])
def test_every_key_of_shipped_files_has_a_line(kind: str, name: str) -> None:
    """Down to the third level of every shipped file."""
    text = shipped(kind, name)
    lines = key_lines(text)
    rows = text.splitlines()

    def walk(value: object, path: tuple[str, ...]) -> None:
        if path and len(path) <= 3:
            line = line_of(lines, path)
            assert line is not None
            if not path[-1].isdigit():
                assert path[-1] in rows[line - 1], (path, rows[line - 1])
        if isinstance(value, dict):
            for key, inner in value.items():
                walk(inner, (*path, key))
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            for i, inner in enumerate(value):
                walk(inner, (*path, str(i)))

    walk(tomllib.loads(text), ())
