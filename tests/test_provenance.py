"""What a job's odds come from: kept at opening, repairs and closing, and told when it changed.

The files are changed here as a user would: a copy of their own that hides the shipped one.
"""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner

from bench_cli import BenchJob
from benchodds.basics.digest import digest
from benchodds.cli.main import main
from benchodds.keep import archive, files
from benchodds.keep.session import load_machine
from benchodds.keep.store import Store
from benchodds.model import jobs as model_jobs
from benchodds.model.jobs import fold, open_event
from benchodds.model.sources import changes, opened_with, sources

SHIPPED = Path(__file__).parents[1]


@pytest.fixture
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of the user's own models and priors."""
    for kind in ("models", "priors"):
        (tmp_path / "own" / kind).mkdir(parents=True)
    monkeypatch.setenv("BENCHODDS_FOLDER", str(tmp_path / "own"))
    load_machine.cache_clear()
    return tmp_path / "own"


def change(own: Path, file: str, *pairs: tuple[str, str]) -> None:
    """A file of the user's own: the shipped one with other words in it."""
    text = (SHIPPED / file).read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new, 1)
    (own / file).write_text(text, encoding="utf-8")
    load_machine.cache_clear()


def text_of(path: Path) -> str:
    """The words of a page."""
    return " ".join(re.sub(r"<[^>]+>", " ", path.read_text(encoding="utf-8")).split())


def version_of(file: str) -> str:
    """The version of a shipped file."""
    return str(tomllib.loads((SHIPPED / file).read_text(encoding="utf-8"))["version"])


def test_a_job_keeps_the_hashes_of_its_files(own: Path, tmp_path: Path) -> None:
    """Those of model, bench and priors, and they are of what is in the files, not of comments."""
    change(own, "models/mag-cdi.toml", ("title", "# a remark\ntitle"))
    job = BenchJob(tmp_path / "jobs.sqlite")
    kept = job.json("show", job.id)["files"]
    assert kept.keys() == {"models/mag-cdi", "models/bench", "priors/mag-cdi"}
    for name, said in kept.items():
        raw = tomllib.loads((SHIPPED / f"{name}.toml").read_text(encoding="utf-8"))
        assert said == {"version": raw["version"], "hash": digest(raw)}
        assert re.fullmatch("[0-9a-f]{64}", said["hash"])
    found = job.json("odds", job.id)
    assert (found["files"], found["changed"]) == (kept, [])
    assert "worked out with" not in job.run("odds", job.id)


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("models/mag-cdi.toml", "notice = ", 'notice = "another" #'),
        ("models/bench.toml", "version = ", 'version = "77" #'),
        ("priors/mag-cdi.toml", "strength = ", "strength = 1"),
    ],
)
def test_what_changed_is_told(own: Path, tmp_path: Path, file: str, old: str, new: str) -> None:
    """odds, next and report say from what to what, and the report names what was really used."""
    job = BenchJob(tmp_path / "jobs.sqlite")
    before = job.json("odds", job.id)["files"]
    change(own, file, (old, new))
    name = file.removesuffix(".toml")
    found = job.json("odds", job.id)
    assert found["changed"] == [{"file": name, "opened": before[name], "now": found["files"][name]}]
    then, now = (f"{f['version']} ({f['hash'][:8]})" for f in (before[name], found["files"][name]))
    told = f"Opened with {name} {then}, worked out with {now}."
    for command in ("odds", "next"):
        assert told in " ".join(job.run(command, job.id).split())
    job.run("report", job.id, "--to", str(tmp_path / "r.html"))
    text = text_of(tmp_path / "r.html")
    assert told in text and f"; {name} {now}" in text


def test_the_customer_is_told_what_was_shown(own: Path, tmp_path: Path) -> None:
    """A report made after the files changed gives the odds at closing as they were shown then."""
    job = BenchJob(tmp_path / "jobs.sqlite")
    job.record("cap-r", "OL@200k")
    shown = {f"{r['component']}.{r['mode']}": r["p"] for r in job.json("odds", job.id)["machine"]}
    job.run("done", job.id, "new-cap")
    job.run("close", job.id, "--fault", "cap.open", "--grade", "bench-bad")
    job.run("report", job.id, "--to", str(tmp_path / "before.html"))
    with Store.open(tmp_path / "jobs.sqlite") as store:
        kept = store.job(job.id)
    (action,) = kept.actions
    for odds in (action.odds, kept.closed_odds):
        assert odds is not None
        # What was wrong; after the repair that it was nothing is out of the question.
        was = {**odds["p"], "none.elec": shown["none.elec"]}
        assert was == pytest.approx(shown, abs=1e-6)
        assert odds["files"] == opened_with(kept)
    old = 'fault = "cap.open"\nshare = { no-spark = 4, weak-spark = 2, kicks-back = 0 }'
    change(own, "priors/mag-cdi.toml", (old, old.replace("= 4", "= 0.001")))
    now = {f"{r['component']}.{r['mode']}": r["p"] for r in job.json("odds", job.id)["machine"]}
    assert now["cap.open"] < 0.9 * shown["cap.open"]
    job.run("report", job.id, "--to", str(tmp_path / "after.html"))
    before, after = text_of(tmp_path / "before.html"), text_of(tmp_path / "after.html")
    sure = re.search(r"How sure: [^.]*by the readings", before)
    assert sure is not None and sure[0] in after
    assert "leading then: cap.open" in after
    assert "Closed with priors/mag-cdi" in after and "Closed with" not in before


def test_jobs_of_before_the_hashes() -> None:
    """Of these only versions are known; the same version is no change, another is."""
    model, bench = files.load_system("mag-cdi"), files.load_bench("bench")
    now = sources(model, bench, files.load_priors("mag-cdi"))
    for version, changed in ((model.version, []), ("0.0", ["models/mag-cdi"])):
        event = open_event(
            at="2031-01-01T00:00:00Z",
            uid="",
            system="mag-cdi",
            variant="early",
            complaint="no-spark",
            contexts=[],
            model_version=version,
            prior_set="mag-cdi",
            prior_version=version_of("priors/mag-cdi.toml"),
        )
        found = list(changes(opened_with(fold("1", [event])), now))
        assert [c.name for c in found] == changed


def test_joined_systems_keep_the_files_of_each() -> None:
    """Every model and prior set that a joined job is made of."""
    machine = load_machine("tci+charging", None, "tci+charging")
    assert machine.sources.keys() == {
        "models/tci",
        "models/charging",
        "models/bench",
        "priors/tci",
        "priors/charging",
    }
    assert all(len(f["hash"]) == 64 for f in machine.sources.values())


@pytest.mark.parametrize("key", ["system", "prior_set"])
@pytest.mark.parametrize("joined", ["{}", "mag-cdi+{}"])
def test_a_restored_job_opens_no_file(tmp_path: Path, key: str, joined: str) -> None:
    """A record that names a path is refused with its line, at restore already, and nothing read."""
    trap = tmp_path / "trap.toml"
    trap.write_text("this is not TOML", encoding="utf-8")
    event = model_jobs.open_event(
        at="2031-01-01T00:00:00Z",
        uid="u",
        system="mag-cdi",
        variant="early",
        complaint="no-spark",
        contexts=[],
        model_version="1",
        prior_set="mag-cdi",
        prior_version="1",
    )
    head, line = archive.write([fold("1", [event])])
    row = json.loads(line)
    del row["events"][0]["hash"]
    row["events"][0]["data"][key] = joined.format(trap)
    path = tmp_path / "jobs.jsonl"
    path.write_text(f'{{"format": "{archive.FORMAT}", "schema": 1}}\n{json.dumps(row)}\n', "utf-8")
    assert '"schema": 2' in head
    store = str(tmp_path / "jobs.sqlite")
    result = CliRunner().invoke(main, ["restore", str(path), "--store", store])
    assert result.exit_code == 2 and "line 2: job '1'" in result.output
    assert f"'{key}' is " in result.output and "TOML" not in result.output


def test_no_job_is_opened_by_a_path(tmp_path: Path) -> None:
    """Typed or sent, a path is told what would be right."""
    store = str(tmp_path / "jobs.sqlite")
    for said in (["--system", "./x.toml"], ["--system", "mag-cdi", "--priors", "../x"]):
        asked = ["open", *said, "--complaint", "no-spark", "--store", store]
        result = CliRunner().invoke(main, asked)
        assert result.exit_code == 2
        assert "without its folder and ending" in result.output
