"""Every text for people can be translated: nothing of it stands outside the catalogue."""

from __future__ import annotations

import ast
import gettext
import io
import json
import os
import re
import tomllib
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
import tomli_w
from babel.messages import Catalog, mofile, pofile
from click.testing import CliRunner
from starlette.testclient import TestClient

import words
from benchodds.basics.language import ENGLISH, N_, _, language, ngettext, pgettext, speak, speaking
from benchodds.cli.main import ELSEWHERE, main
from benchodds.keep import languages
from benchodds.keep.session import load_machine
from benchodds.reasons.sentences import NAMES as CALLED

ROOT = Path(__file__).parents[1]
SOURCE = ROOT / "src" / "benchodds"
FIELD = re.compile(r"\{\{|\}\}|\{[^{}]*(?:\{[^{}]*\}[^{}]*)*\}|%\(\w+\)s")
MARKED = re.compile(r"[⟦⟨][^⟦⟧⟨⟩]*[⟧⟩]")


def pseudo(text: str) -> str:
    """The text in marks, its last place moved to the front: another order than in English."""
    fields = [m for m in FIELD.finditer(text) if m[0] not in ("{{", "}}")]
    if len(fields) > 1:
        last = fields[-1]
        text = f"{last[0]} {text[: last.start()]}{text[last.end() :]}"
    return f"⟦{text}⟧"


def pseudo_catalogue() -> Catalog:
    """The language in which every text is in marks."""
    out = Catalog(locale="eo", charset="utf-8")  # two forms, as in English
    for m in words.template():
        if m.id:
            said = pseudo(m.id) if isinstance(m.id, str) else tuple(map(pseudo, m.id))
            out.add(m.id, said, context=m.context)
    return out


def translations(catalog: Catalog) -> gettext.GNUTranslations:
    """A catalogue as it is used."""
    out = io.BytesIO()
    mofile.write_mo(out, catalog)
    out.seek(0)
    return gettext.GNUTranslations(out)


# ---- the catalogue --------------------------------------------------------------------------


def test_template_is_what_the_code_says() -> None:
    """The template in the tree holds every text; run ``python tests/words.py`` when it does not."""

    def rows(text: str) -> dict[Any, Any]:
        """Texts with their files and notes, whatever the width that a version of Babel writes."""
        read = pofile.read_po(io.StringIO(text))
        return {
            (m.context, m.id): ({where for where, _line in m.locations}, m.auto_comments)
            for m in read
            if m.id
        }

    now = rows(words.TEMPLATE.read_text(encoding="utf-8"))
    assert len(now) > 1000
    assert now == rows(words.written(words.template())), "run: python tests/words.py"


def test_languages_keep_the_places_of_the_english_texts() -> None:
    """Places in translations are those of the text, and the check of that can fail."""
    for path in words.FOLDER.glob("*.po"):
        with path.open("rb") as file:
            assert not words.mistakes(pofile.read_po(file, locale=path.stem))
    wrong = Catalog(locale="de")
    wrong.add("{n} jobs of {name}", "{n} Arbeiten von {nam}")
    assert len(words.mistakes(wrong)) == 1
    assert not words.mistakes(pseudo_catalogue())


def test_plurals_and_contexts_are_those_of_the_language() -> None:
    """Polish has three forms (1; 2 to 4; 5 and more), as CLDR's plural rules say."""
    catalog = Catalog(locale="pl")
    catalog.add(("{n} day", "{n} days"), ("{n} dzień", "{n} dni", "{n} dnia"))
    catalog.add("open", "otwarte", context="set-up")
    catalog.add("Uncertainty of {a}: {b}", "{b}: niepewność {a}")
    assert language() == "en"
    with speaking(translations(catalog)):
        forms = [ngettext("{n} day", "{n} days", n).split()[1] for n in (1, 3, 5, 22)]
        assert forms == ["dzień", "dni", "dnia", "dni"]
        assert pgettext("set-up", "open") == "otwarte"
        assert _("open") == "open"
        assert _("Uncertainty of {a}: {b}").format(a=1, b=0.5) == "0.5: niepewność 1"
        assert language() == "pl"
    assert ngettext("{n} day", "{n} days", 1) == "{n} day" == N_("{n} day")


def test_the_environment_names_the_language() -> None:
    """As gettext's manual says (LANGUAGE before LC_ALL, LC_MESSAGES, LANG), our own first."""
    assert languages.wanted({"LANG": "de_AT.UTF-8"}) == ["de_AT", "de"]
    assert languages.wanted({"LANG": "de", "LC_ALL": "fr_FR@euro"}) == ["fr_FR", "fr"]
    assert languages.wanted({"LANGUAGE": "sv:de:en:fi", "LANG": "fi"}) == ["sv", "de"]
    assert languages.wanted({"BENCHODDS_LANGUAGE": "en", "LANG": "fi"}) == []
    assert languages.wanted({"LANG": "C.UTF-8"}) == [] == languages.wanted({})
    assert languages.catalogue(["tlh"]) is None


def test_a_damaged_catalogue_is_passed_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """English is always there: a file that is cut off, or none at all, stops nobody."""
    monkeypatch.setenv("BENCHODDS_FOLDER", str(tmp_path))
    path = words.compiled(pseudo_catalogue(), tmp_path / "languages", "xx")
    whole = path.read_bytes()
    assert languages.catalogue(["xx"]) is not None
    for damaged in (b"", whole[:9], whole[: len(whole) // 2], b"text" * 99):
        path.write_bytes(damaged)
        gettext._translations.clear()  # type: ignore[attr-defined]
        assert languages.catalogue(["xx"]) is None


# ---- the source -----------------------------------------------------------------------------

ALLOWED: dict[str, str] = {
    "basics/quantities.py": "spellings of units; 'unstable 3..40' as it is typed",
    "cli/demo.py": "the command line as it is typed",
    "infer/assess.py": "kinds of approximation, as JSON names them",
    "infer/bif.py": "XML, and a comment in it",
    "infer/compiled.py": "keys of tables",
    "infer/epochs.py": "names of nodes",
    "infer/exchange.py": "names of nodes",
    "infer/intermittent.py": "names of nodes",
    "keep/database.py": "SQL and settings of databases",
    "keep/leaves.py": "why a row is none, which only rescue asks",
    "keep/rescue.py": "SQL",
    "keep/store.py": "SQL",
    "keep/whole.py": "SQL",
    "learn/spreads.py": "provenance, written into prior files",
    "learn/worked.py": "provenance, written into prior files",
    "learn/tuned.py": "provenance, written into prior files",
    "learn/tunework.py": "keys, written into prior files",
    "learn/tuning_files.py": "a comment, written into prior files",
    "measure/peak.py": "laws as models write them",
    "model/benchwork.py": "default values as models write them",
    "model/chain.py": "what a chain of hashes begins with",
    "model/gear.py": "states of nodes",
    "model/join.py": "formulas; provenance",
    "model/priors.py": "provenance",
    "reasons/clashes.py": "kinds of contradiction, as JSON names them",
    "screens/gate.py": "headers that browsers read",
    "screens/pages.py": "a failure of our own templates",
    "trials/pastjobs.py": "readings as they are typed",
    "trials/perturb.py": "laws as models write them",
    "trials/trialreport.py": "names of measures in a table for programs",
    "author/firsthour.py": "readings as they are typed, tokens",
    "choose/coarse.py": "readings as they are typed",
}
"""Modules that hold texts with blanks for programs, and which; all else is for people."""
MARKS = ("_", "N_", "ngettext", "pgettext")
NOT_SHOWN = ("RuntimeError", "compile", "option", "argument", "command", "group", "removeprefix")


def literals(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """(line, text) of every text with a blank that is not marked, no docstring and no help."""
    skip: set[ast.AST] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            skip.add(node.value)
        elif isinstance(node, ast.Call):
            name = getattr(node.func, "id", getattr(node.func, "attr", ""))
            if name in MARKS or name in NOT_SHOWN:
                skip |= set(ast.walk(node)) - {node}
                if name in MARKS:  # what is put into places is looked at all the same
                    skip |= {a for a in node.args if isinstance(a, ast.Constant)}
        elif isinstance(node, ast.keyword) and node.arg == "textcoords":
            skip.add(node.value)
        elif isinstance(node, (ast.Assert, ast.Subscript, ast.Compare)):
            skip |= set(ast.walk(node)) - {node}
        elif isinstance(node, ast.JoinedStr):
            text = "\0".join(v.value for v in node.values if isinstance(v, ast.Constant))
            skip |= {v for v in node.values if isinstance(v, ast.Constant)}
            if node not in skip and is_told(text):
                yield node.lineno, text
    for node in ast.walk(tree):
        if (
            isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and node not in skip
            and is_told(node.value)
        ):
            yield node.lineno, node.value


def is_told(text: str) -> bool:
    """Words with a blank between, or a word and a colon: what a person may be meant to read."""
    has_word = re.search(r"[A-Za-z]{2,}", text)
    if re.fullmatch(r"[a-z_.\0'/]*: ", text):  # the key that a message about a file is of
        return False
    return bool(has_word and re.search(r"\S\s+\S|[A-Za-z]: $|[A-Z][a-z]+:$", text))


def test_no_text_for_people_escapes_the_catalogue() -> None:
    """Every literal with words in it is marked, but in modules that say what theirs are for."""
    found: dict[str, list[str]] = {}
    marked_elsewhere = {m.id for m in words.template()}
    for path in sorted(SOURCE.rglob("*.py")):
        for line, text in literals(ast.parse(path.read_text(encoding="utf-8"))):
            if text not in marked_elsewhere:
                found.setdefault(path.relative_to(SOURCE).as_posix(), []).append(f"{line}: {text}")
    assert not {name: texts for name, texts in found.items() if name not in ALLOWED}
    assert set(ALLOWED) <= set(found), "an exception that is not needed"


def test_an_unmarked_text_is_seen() -> None:
    """The search of the source can fail."""
    seen = list(literals(ast.parse('raise JobError(f"no {x} here")\necho("a text")\n_("fine")')))
    assert [text.split("\0")[0] for _line, text in seen] == ["no ", "a text"]


def test_what_looks_texts_up_is_never_hidden() -> None:
    """No scope that calls ``_`` uses the same name for something thrown away."""
    whole = (ast.FunctionDef, ast.AsyncFunctionDef, ast.Lambda)
    scopes = (*whole, ast.ListComp, ast.SetComp, ast.DictComp, ast.GeneratorExp)

    def own(node: ast.AST) -> Iterator[ast.AST]:
        for child in ast.iter_child_nodes(node):
            if not isinstance(child, scopes):
                yield child
                yield from own(child)

    for path in SOURCE.rglob("*.py"):
        for scope in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(scope, scopes):
                called = any(
                    isinstance(n, ast.Call) and getattr(n.func, "id", "") == "_"
                    for n in ast.walk(scope)
                )
                bound = any(
                    (isinstance(n, ast.Name) and n.id == "_" and isinstance(n.ctx, ast.Store))
                    or (isinstance(n, ast.arg) and n.arg == "_")
                    for n in own(scope)
                )
                assert not (called and bound), f"{path.name}:{scope.lineno}"


# ---- a whole run in another language --------------------------------------------------------

TEXTS = {"title", "notice", "years", "do", "harm", "conditions", "source", "provenance", "closing"}
TABLES = {"complaints", "contexts", "cautions", "modes", "wiring"}


def marked(value: Any, told: bool = False) -> Any:
    """A model or bench file whose texts are in marks of their own: the model's own language."""
    if isinstance(value, str):
        return f"⟨{value}⟩" if told else value
    if isinstance(value, list):
        return [marked(v, told) for v in value]
    if isinstance(value, dict):
        return {
            k: marked(v, told or k in TEXTS or (k in TABLES and all_texts(v)))
            for k, v in value.items()
        }
    return value


def all_texts(value: Any) -> bool:
    return isinstance(value, dict) and all(isinstance(v, str) for v in value.values())


class _Page(HTMLParser):
    """The texts of a page: between tags, and of those attributes that are read out or shown."""

    def __init__(self) -> None:
        super().__init__()
        self.told: list[str] = []
        self.silent = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.silent += tag in ("style", "script", "svg")
        self.told += [v for k, v in attrs if v and k in ("aria-label", "title", "data-best")]

    def handle_endtag(self, tag: str) -> None:
        self.silent -= tag in ("style", "script", "svg")

    def handle_data(self, data: str) -> None:
        if not self.silent:
            self.told.append(data)


def page_text(html: str) -> str:
    """What a person reads on a page."""
    page = _Page()
    page.feed(html)
    return " ".join(page.told)


def sentences(data: Any) -> Iterator[str]:
    """Texts with a blank in JSON; keys are names for programs."""
    if isinstance(data, dict):
        data = list(data.values())
    if isinstance(data, list):
        for item in data:
            yield from sentences(item)
    elif isinstance(data, str) and " " in data:
        yield data


def left(text: str) -> str:
    """What stands outside all marks."""
    while True:
        text, n = MARKED.subn(" ", text)
        if not n:
            return text


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shop's folder with a language and a model in which every text is in marks."""
    place = tmp_path_factory.mktemp("shop")
    words.compiled(pseudo_catalogue(), place / "languages", "xx")
    (place / "models").mkdir()
    for path in (ROOT / "models").glob("*.toml"):
        data = marked(tomllib.loads(path.read_text(encoding="utf-8")))
        (place / "models" / path.name).write_text(tomli_w.dumps(data), encoding="utf-8")
    return place


@pytest.fixture
def run(
    folder: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Iterator[Callable[..., str]]:
    """Run a command in the language of marks and return what it says outside of them."""
    monkeypatch.setenv("BENCHODDS_FOLDER", str(folder))
    monkeypatch.setenv("BENCHODDS_LANGUAGE", "xx")
    monkeypatch.setenv("BENCHODDS_STORE", str(tmp_path / "jobs.sqlite"))
    monkeypatch.setenv("LANGUAGE", "")  # set from ours by the program; put back afterwards
    monkeypatch.chdir(tmp_path)
    domain = gettext.textdomain()
    load_machine.cache_clear()  # models of the same name in other tests

    def say(*args: str, given: str | None = None, code: int | None = 0) -> str:
        result = CliRunner().invoke(main, list(args), input=given)
        assert code is None or result.exit_code == code, result.output
        assert result.exception is None or isinstance(result.exception, SystemExit), args
        return result.output

    yield say
    for kind in ("models", "priors"):  # of a new system
        (folder / kind / "mine.toml").unlink(missing_ok=True)
    load_machine.cache_clear()
    gettext.textdomain(domain)
    speak(ENGLISH)


def names_in(path: Path) -> set[str]:
    """Words in the names that a model or bench file gives: data in any language."""
    model = tomllib.loads(path.read_text(encoding="utf-8"))
    out = {path.stem} | set(model.get("cranking", ()))
    for section in ("variants", "components", "tests", "setups", "repairs", "quantities"):
        out |= set(model.get(section, ()))
    out |= set(model.get("complaints", ())) | set(model.get("contexts", ()))
    for part in model.get("components", {}).values():
        out |= set(part["modes"])
    for test in model.get("tests", {}).values():
        out |= {*test.get("outcomes", ()), test.get("tools", "")}
    return {part for name in out for part in re.split(r"[^A-Za-z]+", name)}


WRITTEN = (
    "V mV kV ohm kohm Mohm mm min dB rpm how meter leads adapter hookup operator ok quills none "
    "elec bench bad weak strong open closed model priors shop benchodds main unstable literature"
)
"""Units, marks that are typed, names of options and of the shop's money."""
NAMES = set(WRITTEN.split()).union(*map(names_in, (ROOT / "models").glob("*.toml")))


def strays(text: str) -> list[str]:
    """Words outside all marks that are no names of the model: what could not be translated."""
    rest = re.sub(
        r"(?:models|priors)/\S+ \S+ \([0-9a-f]+\)|"
        r"(?:/[\w.%#-]+){2,}|\b[\w-]+\.(?:html|toml|jsonl|sqlite|txt)\b|--[a-z-]+|not-taken",
        " ",
        left(text),
    )
    return [w for w in re.findall(r"[A-Za-z]{2,}", rest) if w not in NAMES and not w.isupper()]


def open_job(run: Callable[..., str]) -> None:
    run("open", "--system", "mag-cdi", "--complaint", "no-spark", "--context", "washed")
    run("record", "1", "gap", "none 0/10")
    run("record", "1", "plug-vis", "clean")
    run("record", "1", "vexc", "20", "34", "112", "--how", "firm-kick", "--meter", "10M")


def test_commands_say_nothing_outside_the_catalogue(run: Callable[..., str], folder: Path) -> None:
    """Every word on the screen is the catalogue's, or data of model and job."""
    first = run("open", "--system", "mag-cdi", "--complaint", "no-spark", "--name", "washed")
    assert "⟦" in first
    assert not strays(first)
    open_job(run)
    for line in (
        "systems",
        "systems mag-cdi",
        "jobs",
        "odds 1",
        "odds 1 --as-if vexc=3",
        "why 1 R3",
        "why 1 R1",
        "next 1",
        "next 1 --greedy",
        "record 1 stop-r 180ohm",
        "record 1 rpri not-taken",
        "show 1",
        "gear 1 --meter 10M",
        "setup 1 A open",
        "done 1 stop-switch",
        "strike 1 R2 --reason ⟨mine⟩",
        "report 1 --to job.html",
        "worksheet mag-cdi --to sheet.html",
        "backup copy.jsonl",
        "restore copy.jsonl",
        "new mine",
        "close 1 --fault stop.switch --grade bench-bad --minutes 31",
        "reopen 1 --reason ⟨mine⟩",
    ):
        said = run(*line.split(), code=None)
        assert "⟦" in said, line
        assert not strays(said), f"{line}\n{said}"
    mine = folder / "models" / "mine.toml"
    mine.write_text(tomli_w.dumps(marked(tomllib.loads(mine.read_text("utf-8")))), encoding="utf-8")
    said = run("check", "mine", code=None)
    assert "⟦" in said
    assert not [w for w in strays(said) if w not in names_in(mine)], said
    for name in ("job.html", "sheet.html"):
        assert not strays(page_text(Path(name).read_text(encoding="utf-8"))), name


def test_sentences_in_json_are_of_the_catalogue_and_keys_are_not(run: Callable[..., str]) -> None:
    """JSON has the same keys in any language; its sentences are translated."""
    open_job(run)
    keys = {}
    for line in ("odds 1", "next 1", "why 1 R3", "show 1", "systems mag-cdi"):
        told = json.loads(run(*line.split(), "--json", code=None))
        assert not [
            s
            for s in sentences(told)
            if strays(s) and s not in (*CALLED, "no state", "no single fault")
        ], line
        keys[line] = told.keys()
    os.environ["BENCHODDS_LANGUAGE"] = "en"
    for line, known in keys.items():
        assert json.loads(run(*line.split(), "--json", code=None)).keys() == known


MISTAKES = (
    "odds nope",
    "open --system nope --complaint x",
    "open --system mag-cdi --complaint nope",
    "open --system mag-cdi --complaint no-spark --context nope",
    "record 1 vexc abc",
    "record 1 vexc -- -3",
    "record 1 vexc OL@",
    "record 1 vexc 14 --meter abc",
    "record 1 vexc 14 --kicks 0",
    "record 1 vexc 14 --temp 900",
    "record 1 gap 11/10",
    "record 1 plug-vis purple",
    "record 1",
    "why 1 R9",
    "done 1 nope",
    "setup 1 nope open",
    "setup 1 A ajar",
    "close 1 --grade bench-bad",
    "close 1 --fault nope.x --grade bench-bad",
    "report 1 --to p.doc",
    "restore odds.jsonl",
    "check wrong.toml",
    "check broken.toml",
    "tune rows.csv",
    "tune nope.csv",
    "import rows.csv --map wrong.toml --to x.jsonl",
    "next 1 --shop nope",
    "schema nope",
    "nope",
    "odds",
    "odds 1 --zzz",
)


def test_mistakes_are_told_in_the_language(run: Callable[..., str]) -> None:
    """What is wrong and what would be right: all of the catalogue, the library's texts too."""
    open_job(run)
    Path("odds.jsonl").write_text("not json\n", encoding="utf-8")
    Path("broken.toml").write_text("= =", encoding="utf-8")
    Path("wrong.toml").write_text('id = 3\n[tests.x]\nkind = "peek"\n', encoding="utf-8")
    Path("rows.csv").write_text(
        "job,closed,system,complaint,faults,grade\n1,2025-01-01,mag-cdi,nope,,gave-up\n2,x\n",
        encoding="utf-8",
    )
    for line in MISTAKES:
        said = run(*line.split(), code=None)
        assert "⟦" in said, f"{line}\n{said}"
        typed = {"schema", "columns", "id", "tests", "variants"}  # keys of the files
        typed |= set(re.findall(r"[A-Za-z]{2,}", line))
        assert not [w for w in strays(said) if w not in typed], f"{line}\n{said}"


@pytest.mark.parametrize("name", sorted([*main.commands, *ELSEWHERE]))
def test_help_is_in_the_language(name: str, run: Callable[..., str]) -> None:
    """Usage, options and example of every command."""
    said = run(name, "--help")
    heads = re.sub(
        r"(?m)\{[^}]*\}|^.*Usage.*$|(?:-[\w-]+,? ?)+|\[[a-z0-9A-Z|/-]+\]", " ", left(said)
    )
    assert not [w for w in strays(heads) if w != name], said


def test_page_and_bench_speak_the_language(run: Callable[..., str]) -> None:
    """The loop in the terminal and the page: forms, buttons, what a reading is worth."""
    from benchodds.keep.session import Session
    from benchodds.screens.guard import Guard
    from benchodds.screens.page import create_app

    open_job(run)
    lines = "help\nodds\nwhy\nskip\nvexc abc\nundo ⟨mine⟩\nundo\ndone nope\nopen A\nrefused\nquit\n"
    typed = set(re.findall(r"[a-z]+", lines))  # the prompt shows it again
    assert not [w for w in strays(run("bench", "1", given=lines)) if w not in typed]
    app = create_app(Session(None), Guard(paired_only=False), frozenset({"testserver"}))
    with TestClient(app) as client:
        for url in ("/", "/job/1", "/job/1?test=gap", "/job/1?test=rpri", "/job/1?test=plug-vis"):
            assert not strays(page_text(client.get(url).text)), url
        for url in ("/job/1/odds", "/job/1/why/R1", "/pair", "/job/nope", "/static/nope"):
            assert not strays(page_text(client.get(url).text)), url


def test_what_past_and_drawn_jobs_teach_is_told_in_the_language(run: Callable[..., str]) -> None:
    """Tables and sentences of tune, score and simulate; their heads are the catalogue's too."""
    past = (ROOT / "demo" / "shop" / "past.jsonl").read_text(encoding="utf-8").splitlines()
    few = [line for line in past if '"system": "starter"' in line and '"revises"' not in line]
    Path("few.jsonl").write_text("\n".join(few[:12]) + "\n", encoding="utf-8")
    standing = (ROOT / "priors" / "tuning" / "standing.toml").read_text(encoding="utf-8")
    titles = " ".join(re.findall(r'(?m)^title = "(.*)"', standing))  # data of that file
    policies = "--policy bits-per-minute --policy random"
    for line in (
        "tune --dry-run few.jsonl",
        "score few.jsonl",
        f"simulate starter --complaint slow-crank --jobs 1 {policies} --out trial",
    ):
        said = run(*line.split())
        assert "⟦" in said, line
        data = set(re.findall(r"[a-z]{2,}", f"{line} {titles}"))
        assert not [w for w in strays(said) if w not in data], f"{line}\n{said}"
