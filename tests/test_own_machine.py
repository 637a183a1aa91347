"""A shop's own machine: an overlay of a shipped system, made from a page of manual values.

All machines and values here are invented. What the limits make of the odds is compared with what
must hold whatever the project computes: a machine whose volts and limits are all a fifth higher
reads a fifth higher and has the same odds, and ohms far outside a band are a fault.
"""

from __future__ import annotations

import json
import random
import re
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from benchodds.author import checkreport
from benchodds.author.doubts import doubts_in_model
from benchodds.author.modelcheck import check
from benchodds.author.ownmachine import doubts_in_overlay, questions
from benchodds.cli.main import main
from benchodds.keep.files import data_folder, default_priors, load_priors, load_system, read_toml
from benchodds.keep.session import load_machine

PAGE = """\
key,question,unit,from,to,base
title,,,Blackthorn 175 (invented),,
years,,,1988 to 1993,,
source,,,"invented manual, page 7-3",,
vexc,,V,126,,
vpul,,V,0.9 V,,
rexc,,ohm,300,420,
rpul,,ohm,100 to 140 ohm,,
rsec,,ohm,6 kohm +-10 %,,
cap-r,,ohm,4k5,5k5,
airgap,,mm,0.3,"0,5",
mark,,mm,2.2-2.6,,
minutes A,,min,4,,
colour stop line,,,black with white,,
without,,,chg,,
"""
HEAD = """\
schema = 1
id = "ours"
version = "1"
base = "mag-cdi"
base_version = "1.0"
title = "Blackthorn 175 (invented)"
provenance = "invented manual, page 7-3"
"""


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder for models of one's own, and a store."""
    monkeypatch.setenv("BENCHODDS_FOLDER", str(tmp_path))
    monkeypatch.setenv("BENCHODDS_STORE", str(tmp_path / "jobs.sqlite"))
    (tmp_path / "models").mkdir()
    return tmp_path


def bench(*args: str, typed: str | None = None) -> Result:
    result = CliRunner().invoke(main, args, input=typed)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def refused(*args: str, typed: str | None = None) -> str:
    """What a command says that is refused: exit code 2, no traceback."""
    result = bench(*args, typed=typed)
    assert result.exit_code == 2, result.output
    assert "Traceback" not in result.output
    return " ".join(result.output.split())


def overlay(shop: Path, text: str, name: str = "ours") -> Path:
    path = shop / "models" / f"{name}.toml"
    path.write_text(HEAD.replace("ours", name) + text, encoding="utf-8")
    return path


def odds(system: str, *readings: tuple[str, str]) -> dict[str, float]:
    """Odds of every part after readings, on a new job."""
    opened = bench("open", "--system", system, "--complaint", "no-spark", "--json")
    job = json.loads(opened.output)["job"]
    for test, value in readings:
        said = bench("record", job, test, value)
        assert said.exit_code == 0, said.output
    answer = json.loads(bench("odds", job, "--json").output)
    return {c["component"]: c["p_fault"] for c in answer["components"]}


# ---- brought in, and used --------------------------------------------------------------------


def test_a_page_of_a_manual_becomes_a_system(shop: Path) -> None:
    """From a filled sheet to a job: every surface names the machine, and its limits count."""
    sheet = shop / "page.csv"
    sheet.write_text(PAGE, encoding="utf-8")
    said = bench("new", "--from", "mag-cdi", "--sheet", str(sheet))
    assert said.exit_code == 0 and "mag-cdi-ours" in said.output
    model = load_system("mag-cdi-ours")
    limits = {t: model.tests[t].limit for t in ("vexc", "rexc", "rpul", "rsec", "cap-r", "airgap")}
    shown = {t: (x.min, x.max, x.source) for t, x in limits.items() if x is not None}
    source = "invented manual, page 7-3"
    assert shown == {
        "vexc": ("126 V", None, source),
        "rexc": ("300 ohm", "420 ohm", source),
        "rpul": ("100 ohm", "140 ohm", source),
        "rsec": ("5.4 kohm", "6.6 kohm", source),
        "cap-r": ("4.5 kohm", "5.5 kohm", source),
        "airgap": ("0.3 mm", "0.5 mm", source),
    }
    assert model.setups["A"].minutes == "4 min" and model.wiring["stop line"] == "black with white"
    assert "chg" not in model.components and "rlight" not in model.tests
    assert model.quantities["exciter_ohm"].random["r"] == "band(300 ohm, 420 ohm)"
    assert "Blackthorn 175" in bench("systems").output
    assert "0.3 mm to 0.5 mm" in bench("systems", "mag-cdi-ours").output
    job = ("--name", "b", "--json")
    opened = bench("open", "--system", "mag-cdi-ours", "--complaint", "no-spark", *job)
    assert opened.exit_code == 0, opened.output
    bench("record", "b", "rexc", "18")
    for command in (("odds", "b"), ("next", "b"), ("report", "b", "--to", str(shop / "r.html"))):
        assert bench(*command).exit_code == 0, command
    assert "Blackthorn 175" in (shop / "r.html").read_text(encoding="utf-8")
    assert "Blackthorn 175" in bench("odds", "b", "--numbers").output


def test_the_odds_follow_the_new_limit(shop: Path) -> None:
    """12 ohm clears a winding of 9 to 27 ohm and condemns one of 16 to 24; 20 ohm clears both."""
    overlay(shop, 'tests.rexc.limit = { min = "16 ohm", max = "24 ohm" }\n')
    before, asked = odds("mag-cdi")["exc"], (("mag-cdi", "12"), ("ours", "12"), ("ours", "20"))
    bad = {(system, value): odds(system, ("rexc", value))["exc"] for system, value in asked}
    assert bad["mag-cdi", "12"] < before < bad["ours", "12"] / 2
    assert bad["ours", "20"] < before


@pytest.mark.parametrize(
    ("test", "limit", "factor", "reading"),
    [("vexc", "126 V", 1.2, 60.0), ("vpri", "132 V", 1.2, 70.0), ("vexc", "315 V", 3.0, 45.0)],
)
def test_a_stronger_machine_reads_as_much_higher(
    shop: Path, test: str, limit: str, factor: float, reading: float
) -> None:
    """Volts and limit in one proportion: the same odds for a reading in that proportion."""
    overlay(shop, f'tests.{test}.limit.min = "{limit}"\n')
    own = odds("ours", (test, f"{factor * reading:g}"))
    base = odds("mag-cdi", (test, f"{reading:g}"))
    # Not to the last: the adapter's diode takes the same 0.6 V off, and digits show as before.
    assert own == {part: pytest.approx(p, abs=0.02) for part, p in base.items()}


def test_what_follows_can_be_said_otherwise(shop: Path) -> None:
    """A law, a grid or a limit that the overlay states stays; check says where they are at odds."""
    overlay(
        shop,
        'tests.rexc.limit = { min = "300 ohm", max = "420 ohm" }\n'
        'quantities.exciter_ohm.random.r = "band(9 ohm, 27 ohm)"\n'
        'tests.rexc-hot.limit.max = "500 ohm"\n',
    )
    model = load_system("ours")
    hot = model.tests["rexc-hot"].limit
    assert model.quantities["exciter_ohm"].random["r"] == "band(9 ohm, 27 ohm)"
    assert hot is not None and hot.max == "500 ohm" and hot.min == "9 ohm"
    doubts = list(doubts_in_model(model))
    assert [d.partition(",")[0] for d in doubts] == [
        "tests.rexc.limit: 300 ohm to 420 ohm",
        "tests.rexc-hot.limit: 9 ohm to 500 ohm is far wider than band(9 ohm",
    ]
    assert all(d.endswith("one of them is off") for d in doubts)


def test_check_says_what_follows_in_a_line_each(shop: Path) -> None:
    """The band, the law of the volts, limits that hang on them; and what is still the base's."""
    path = overlay(
        shop,
        'tests.vexc.limit.min = "126 V"\ntests.rexc.limit = { min = "10 ohm", max = "30 ohm" }\n',
    )
    checked = check(str(path))
    assert checked.remarks == () and checked.own is not None
    said = checkreport.text(checked)
    for line in (
        "rexc: quantities.exciter_ohm.random.r = band(10 ohm, 30 ohm)",
        "vexc: quantities.exciter.random.k = LN(0.36 V/rpm, 0.20)",
        "vexc: tests.vexc-hot.limit.min = 126 V",
        "vexc: tests.vexc-load.limit.min = 108 V",
    ):
        assert f"  {line}\n" in said, line
    rest = " ".join(said[said.index("still as in mag-cdi") :].split())
    assert "rsec," in rest and "rexc," not in rest
    follows = checkreport.to_dict(checked)["follows"]
    assert {"key": "tests.vexc-hot.limit.min", "value": "126 V", "test": "vexc"} in follows


def test_the_order_of_keys_does_not_matter(shop: Path) -> None:
    """Whatever the order and the form of its keys, an overlay is the same machine."""
    lines = [
        'tests.vexc.limit.min = "126 V"',
        'tests.vpri.limit.min = "150 V"',
        'tests.rexc.limit.min = "10 ohm"',
        'tests.rexc.limit.max = "30 ohm"',
        'setups.A.minutes = "3 min"',
        'wiring."stop line" = "black"',
    ]
    overlay(shop, "\n".join(lines) + "\n")
    first = load_system("ours")
    rng = random.Random(3)
    for _ in range(3):
        rng.shuffle(lines)
        overlay(shop, "\n".join(lines) + "\n")
        assert load_system("ours") == first
    overlay(
        shop,
        '[wiring]\n"stop line" = "black"\n'
        '[tests.rexc]\nlimit = { max = "30 ohm", min = "10 ohm" }\n'
        '[tests.vpri.limit]\nmin = "150 V"\n[tests.vexc.limit]\nmin = "126 V"\n'
        '[setups.A]\nminutes = "3 min"\n',
    )
    assert load_system("ours") == first


# ---- the base changes under it ---------------------------------------------------------------


def _base(shop: Path, change: dict[str, str]) -> None:
    """A newer mag-cdi of the shop's own, which hides the shipped one."""
    text = (data_folder("models") / "mag-cdi.toml").read_text(encoding="utf-8")
    for old, new in change.items():
        assert old in text, old
        text = text.replace(old, new)
    (shop / "models" / "mag-cdi.toml").write_text(text, encoding="utf-8")


def test_a_new_version_of_the_base_merges_under_it(shop: Path) -> None:
    """What the overlay does not state is as in the new base; check and open jobs say so."""
    path = overlay(shop, 'tests.vexc.limit.min = "126 V"\n')
    then = load_system("ours")
    bench("open", "--system", "ours", "--complaint", "no-spark", "--name", "j")
    _base(
        shop,
        {
            'version = "1.0"': 'version = "1.1"',
            'title = "seat and tank off"': 'title = "seat, tank and shroud off"',
        },
    )
    now = load_system("ours")
    limit = now.tests["vexc"].limit
    assert now.setups["A"].title == "seat, tank and shroud off"
    assert limit is not None and limit.min == "126 V"
    assert (then.version, now.version) == ("1 on mag-cdi 1.0", "1 on mag-cdi 1.1")
    assert then.digest != now.digest
    (said,) = doubts_in_overlay(read_toml(path), read_toml(shop / "models" / "mag-cdi.toml"))
    assert said.startswith("base_version: mag-cdi is at version 1.1 now")
    load_machine.cache_clear()  # as in another process
    heard = " ".join(bench("odds", "j").output.split()).replace("- ", "-")
    assert "Opened with models/ours 1 on mag-cdi 1.0" in heard and "with 1 on mag-cdi 1.1" in heard


def test_what_no_longer_fits_is_named(shop: Path) -> None:
    """File, line, key and what would be right, on every command; nothing else is said."""
    path = overlay(shop, 'tests.vexc.limit.min = "126 V"\n')
    text = (data_folder("models") / "mag-cdi.toml").read_text(encoding="utf-8")
    (shop / "models" / "mag-cdi.toml").write_text(
        re.sub(r"\bvexc\b(?!-)", "vexcit", text), encoding="utf-8"
    )
    sentence = (
        f"{path}:8: tests.vexc.limit.min: there is no 'vexc' to change; did you mean 'vexcit'?"
    )
    opening = ("open", "--system", "ours", "--complaint", "no-spark")
    assert refused(*opening) == f"benchodds: {sentence}"
    assert refused("systems", "ours") == f"benchodds: {sentence}"
    checked = check(str(path))
    assert [(r.line, r.key) for r in checked.mistakes] == [(8, "tests.vexc.limit.min")]


# ---- what it can be and do besides -----------------------------------------------------------


def test_priors_are_those_of_the_base_until_it_has_its_own(shop: Path) -> None:
    """A tuned set of the base serves it too, and one of its own goes before."""
    overlay(shop, "")
    assert default_priors("ours") == "mag-cdi"
    assert load_priors("ours").rows == load_priors("mag-cdi").rows
    assert load_priors("ours").system == "ours"
    (shop / "priors").mkdir()
    text = (data_folder("priors") / "mag-cdi.toml").read_text(encoding="utf-8")
    for name in ("mag-cdi-tuned-1", "ours-tuned-1"):
        (shop / "priors" / f"{name}.toml").write_text(text, encoding="utf-8")
        assert default_priors("ours") == name


def test_it_joins_as_its_base_does(shop: Path) -> None:
    """Parts that systems share are shared with an overlay too; it never meets its own base."""
    overlay(shop, "", "chg-ours")
    path = shop / "models" / "chg-ours.toml"
    path.write_text(path.read_text().replace('"mag-cdi"', '"charging"'), encoding="utf-8")
    own, base = load_system("tci+chg-ours"), load_system("tci+charging")
    assert len(own.components) == len(base.components)
    assert len(own.quantities) == len(base.quantities)
    overlay(shop, "")
    opening = ("open", "--system", "mag-cdi", "--with", "ours", "--complaint", "no-spark")
    assert "are the same system of one machine" in refused(*opening)


def test_parts_it_does_not_have_are_gone_with_all_that_is_about_them(shop: Path) -> None:
    """No fault, test or repair is left of them; but not what a gate waits for."""
    overlay(shop, "")
    path = shop / "models" / "ours.toml"
    path.write_text(path.read_text() + 'without = ["chg", "cap"]\n', encoding="utf-8")
    model = load_system("ours")
    assert not {"chg", "cap", "sol"} & set(model.components)
    assert not {"cap-r", "rlight", "rsol"} & set(model.tests)
    assert "new-cap" not in model.repairs and model.repairs["new-exciter"].renews == ("exc",)
    assert "cap" not in odds("ours", ("vexc", "0"))
    path.write_text(path.read_text().replace('"cap"', '"stop"'), encoding="utf-8")
    assert "the gate 'coil' waits for stop-r" in refused("systems", "ours")
    path.write_text(path.read_text().replace('"stop"', '"stap"'), encoding="utf-8")
    assert f"{path}:8: without: 'stap' is not a part here" in refused("systems", "ours")


# ---- questions -------------------------------------------------------------------------------


def test_questions_are_asked_until_the_answer_can_be_right(shop: Path) -> None:
    """One sentence for each slip, the same question again, and nothing of the rest is lost."""
    answers = [
        *("Blackthorn 175 (invented)", "", "", "invented manual"),  # title, years, source twice
        *("126000", "126 V", "", "", "0.3", "420-300", "300-420 ohm"),  # vexc vpul vpri rexc
        *("200 kohm to 300 kohm", "100 to 140 ohm", "", "6 to 7", "6 to 7 kohm"),  # rpul rpri rsec
        *("", "", "0.3 to 0.5", "", "5", "", "", "", "", "", "", ""),
    ]
    said = bench("new", "mine", "--from", "mag-cdi", typed="\n".join(answers) + "\n")
    assert said.exit_code == 0, said.output
    heard = " ".join(said.output.split())
    for sentence in (
        "'source' is needed",
        "far above anything it can show",
        "says one end; write both, such as 9 ohm to 27 ohm",
        "420 ohm is not below 300 ohm",
        "200 kohm is 1250 times the 160 ohm of the base",
        "far below anything it can show",
    ):
        assert sentence in heard, sentence
    model = load_system("mine")
    limits = {t: model.tests[t].limit for t in ("vexc", "rexc", "rpul", "rsec", "airgap")}
    assert [(x.min, x.max) for x in limits.values() if x] == [
        ("126 V", None),
        ("300 ohm", "420 ohm"),
        ("100 ohm", "140 ohm"),
        ("6 kohm", "7 kohm"),
        ("0.3 mm", "0.5 mm"),
    ]


def test_answers_that_make_no_machine_together_are_told(shop: Path) -> None:
    """Every answer is right by itself, and a gate loses its test: all is said again."""
    asked = [q.kind for q in questions(read_toml(data_folder("models") / "mag-cdi.toml"))]
    answers = ["Blackthorn", "", "manual", *[""] * (len(asked) - 4), "chig", "stop"]
    heard = refused("new", "--from", "mag-cdi", typed="\n".join(answers) + "\n")
    assert "'chig' is not a part here" in heard and "the gate 'coil' waits for stop-r" in heard
    assert "said so far: title = Blackthorn; source = manual; without = stop" in heard
    assert list((shop / "models").iterdir()) == []


def test_answers_that_end_early_are_told_and_nothing_is_written(shop: Path) -> None:
    """The input ends: what was said so far is shown, with exit code 2."""
    heard = refused("new", "--from", "mag-cdi", typed="Blackthorn\n1988\n")
    assert "the answers ended at 'source'" in heard and "title = Blackthorn" in heard
    assert list((shop / "models").iterdir()) == []


@pytest.mark.parametrize("kind", [".csv", ".toml"])
def test_a_blank_sheet_comes_back_filled(shop: Path, kind: str) -> None:
    """Both kinds of sheet are read as they are written, and mean the same."""
    sheet = shop / f"page{kind}"
    assert bench("new", "--from", "mag-cdi", "--blank", str(sheet)).exit_code == 0
    text = sheet.read_text(encoding="utf-8")
    filled = {"title": "Mine (invented)", "source": "invented", "rexc": "10 to 30 ohm"}
    for key, value in filled.items():
        if kind == ".csv":
            text = re.sub(rf"(?m)^({key},(?:\"[^\"]*\"|[^,]*),[^,]*),", rf"\1,{value}", text)
        else:
            text = text.replace(f'{key} = ""', f'{key} = "{value}"')
    sheet.write_text(text, encoding="utf-8")
    said = bench("new", "mine", "--from", "mag-cdi", "--sheet", str(sheet))
    assert said.exit_code == 0, said.output
    limit = load_system("mine").tests["rexc"].limit
    assert limit is not None and (limit.min, limit.max) == ("10 ohm", "30 ohm")


def test_a_blank_sheet_for_paper_has_every_question(shop: Path) -> None:
    """Key, unit, and what the base has, at most eighty columns where texts allow."""
    paper = bench("new", "--from", "mag-cdi", "--blank", "-").output
    for words in ("rexc: ___", "ohm   (mag-cdi: 9 ohm to 27 ohm)", "air gap", "timing mark"):
        assert words in paper, words


@pytest.mark.parametrize("system", ["mag-cdi", "dc-cdi", "tci", "charging", "starter"])
def test_every_shipped_system_can_be_a_base(shop: Path, system: str) -> None:
    """Each asks for about twelve values, and a tenth more on every limit makes a machine."""
    sheet = shop / "page.toml"
    base = load_system(system)
    lines = ['title = "Mine (invented)"', 'source = "invented"']
    for test in base.manual:
        limit = base.tests[test].limit if test in base.tests else None
        ends = [x for x in (limit.min, limit.max) if x] if limit else []
        grown = [f"{1.1 * float(x.split()[0]):.5g} {x.split()[1]}" for x in ends]
        if grown:
            lines.append(f'{test} = "{" to ".join(grown)}"')
    assert 6 <= len(lines) <= 14
    sheet.write_text("\n".join(lines) + "\n", encoding="utf-8")
    said = bench("new", "--from", system, "--sheet", str(sheet))
    assert said.exit_code == 0, said.output
    own = load_system(f"{system}-ours")
    keys = [k for t, asked in base.manual.items() if t in base.tests for k in asked.times]
    both = {k for t, asked in base.manual.items() if t in base.tests for k in asked.over}
    for key in {*keys, *both}:  # what one limit raises and another lowers stays
        assert (_at(own, key) != _at(base, key)) == (key not in both or key not in keys), key


def _at(model: Any, key: str) -> str:
    for part in key.split("."):
        model = model[part] if isinstance(model, dict) else getattr(model, part)
    return str(model)


# ---- bad input -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("rexc,,ohm,300,420", "rexc,,ohm,300 kohm,420 kohm", "the 9 ohm of the base"),
        ("rexc,,ohm,300,420", "rexc,,ohm,420,300", "420 ohm is not below 300 ohm"),
        ("rexc,,ohm,300,420", "rexc,,ohm,300,", "write both"),
        ("rexc,,ohm,300,420", "rexc,,ohm,300 V,420", "is in volts"),
        ("rexc,,ohm,300,420", "rexc,,ohm,OL,420", "not a number"),
        ("vexc,,V,126", "vexc,,V,126 mV", "times less than the 105 V of the base"),
        ("vexc,,V,126", "vexc,,V,0", "times less than the 105 V of the base"),
        ("vexc,,V,126", "vexc,,V,-126", "cannot be negative"),
        ("rsec,,ohm,6 kohm +-10 %", "rsec,,ohm,6 +-10 %", "write the unit"),
        ("minutes A,,min,4", "minutes A,,min,4 ohm", "ohm"),
        ("airgap,,mm,0.3", "airgap,,mm,0.03", "times less than the 0.45 mm of the base"),
        ("vexc,,V", "vexcc,,V", "'vexcc' is not asked for; did you mean 'vexc'?"),
        ("without,,,chg", "without,,,chig", "'chig' is not a part here"),
        ("without,,,chg", "without,,,Chg", "Chg"),
        ("title,,,Blackthorn 175 (invented)", "title,,,", "'title' is needed"),
        ('source,,,"invented manual, page 7-3"', "source,,,", "'source' is needed"),
        ("mark,,", "airgap,,", "'airgap' stands twice"),
        ("key,question", "name,question", "no column 'key'"),
        ('source,,,"invented manual, page 7-3",,', "source,,,a,b,c,d,e", "more cells than columns"),
    ],
)
def test_a_sheet_that_cannot_be_right_is_refused(shop: Path, old: str, new: str, said: str) -> None:
    """One clear sentence, exit code 2, and no file."""
    sheet = shop / "page.csv"
    assert old in PAGE
    sheet.write_text(PAGE.replace(old, new), encoding="utf-8")
    assert said in refused("new", "--from", "mag-cdi", "--sheet", str(sheet))
    assert list((shop / "models").iterdir()) == []


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('tests.vexcc.limit.min = "3 V"\n', "there is no 'vexcc' to change; did you mean 'vexc'?"),
        ('tests.vexc.limit.min = "3 ohm"\n', "tests.vexc.limit.min: '3 ohm' found"),
        ("tests.vexc.limit.min = 3\n", "tests.vexc.limit.min: expected text in quotes"),
        ('tests.vexc.limit = "3 V"\n', "tests.vexc.limit: expected a table"),
        ('tests.vexc = "3 V"\n', "tests.vexc: expected a table"),
        ('tests = "3 V"\n', "'tests' is not a key known here"),
        ('testz.vexc.limit.min = "3 V"\n', "there is no 'testz' to change"),
        ('tests.vexc.minuets = "3 min"\n', "did you mean 'minutes'?"),
        ('components.exc.title = "x"\n', "an overlay takes this from its base"),
        ('tests.rexc.limit.min = "40 ohm"\n', "40 ohm is not below 27 ohm"),
        ('like = "lat"\n', "like: 'lat' is not a variant of mag-cdi; did you mean 'late'?"),
        ('quantities.exciter.random.k = "LN(0.3 V/rpm)"\n', "LN takes 2 numbers"),
        ('quantities.exciter.formula = "k * magnett"\n', "'magnett'"),
    ],
)
def test_a_mistake_in_an_overlay_is_one_sentence(shop: Path, text: str, said: str) -> None:
    """On any command with exit code 2, by check with file and key."""
    path = overlay(shop, text)
    assert said in refused("systems", "ours")
    assert str(path) in refused("systems", "ours")
    assert any(said in f"{r.key}: {r.text}" for r in check(str(path)).mistakes)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('base = "mag-cdi"', 'base = "mag"', "base: 'mag' is not another system known here"),
        ('base = "mag-cdi"', 'base = "ours"', "base: 'ours' is not another system known here"),
        ('base = "mag-cdi"', "base = 3", "base: '3' is not another system known here"),
        ('provenance = "invented manual, page 7-3"\n', "", "provenance: missing"),
        ('title = "Blackthorn 175 (invented)"\n', "", "title: missing"),
        ("schema = 1", "schema = 2", "schema: expected 1"),
        ('id = "ours"', 'id = "Ours"', "id: 'Ours' is not the name of the file"),
        ('id = "ours"\n', "", "id: missing"),
    ],
)
def test_a_head_that_is_wrong_is_told(shop: Path, old: str, new: str, said: str) -> None:
    """Base, name, provenance are as strict as in any model file."""
    path = overlay(shop, "")
    path.write_text(HEAD.replace(old, new), encoding="utf-8")
    assert said in refused("systems", "ours")


def test_an_overlay_of_an_overlay_is_refused(shop: Path) -> None:
    """It stands on a whole system."""
    overlay(shop, "")
    path = overlay(shop, "", "more")
    path.write_text(path.read_text().replace('"mag-cdi"', '"ours"'), encoding="utf-8")
    assert "is an overlay itself" in refused("systems", "more")


@pytest.mark.parametrize("stem", ["mag-cdi+ours", "theirs"])
def test_the_file_is_called_as_the_system(shop: Path, stem: str) -> None:
    """'+' joins systems, so a file cannot be called so; nor otherwise than its id."""
    path = shop / "models" / f"{stem}.toml"
    path.write_text(HEAD, encoding="utf-8")
    heard = refused("open", "--system", stem, "--complaint", "no-spark")
    said = "'+' joins systems; call the file, and the system, mag-cdi-ours"
    assert heard.startswith(f"benchodds: {path}:2: id: ")
    assert (said if "+" in stem else "'ours' is not the name of the file; write 'theirs'") in heard


def test_undo_never_takes_a_set_of_the_base(shop: Path) -> None:
    """What an overlay begins with is its base's, and stays."""
    overlay(shop, "")
    (shop / "priors").mkdir()
    text = (data_folder("priors") / "mag-cdi.toml").read_text(encoding="utf-8")
    tuned = shop / "priors" / "mag-cdi-tuned-1.toml"
    tuned.write_text(text, encoding="utf-8")
    assert "nothing to undo" in refused("tune", "--undo", "ours")
    assert tuned.exists()


def test_no_system_is_hidden_or_written_over(shop: Path) -> None:
    """A name that there is is refused; so is a second machine in the first one's place."""
    sheet = shop / "page.csv"
    sheet.write_text(PAGE, encoding="utf-8")
    making = ("--from", "mag-cdi", "--sheet", str(sheet))
    assert "is a system already" in refused("new", "mag-cdi", *making)
    assert "is a system already" in refused("new", "tci", *making)
    assert "cannot name a system" in refused("new", "Mine", *making)
    assert bench("new", "mine", *making).exit_code == 0
    assert "is there already" in refused("new", "mine", *making)
    assert bench("new", "mine", *making, "--overwrite").exit_code == 0
    assert "did you mean" in refused("new", "--from", "mag-cdy")
    assert "is not a variant" in refused("new", "--from", "mag-cdi", "--variant", "lat")
    assert "no kind of sheet" in refused("new", "--from", "mag-cdi", "--blank", "x.pdf")
    assert "--from" in refused("new")
