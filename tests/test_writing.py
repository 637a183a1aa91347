"""Writing a system: the starting files, the JSON Schemas, and the tutorial, followed to the end."""

from __future__ import annotations

import json
import re
import shlex
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from click.testing import CliRunner, Result

from benchodds.author.modelcheck import check
from benchodds.author.newsystem import tutorial
from benchodds.author.schema import KINDS, schema_of
from benchodds.cli.main import main
from benchodds.keep.files import available, data_folder

SHIPPED = [
    *(("model", p) for p in sorted(data_folder("models").glob("*.toml")) if p.stem != "bench"),
    *(("priors", p) for p in sorted(data_folder("priors").glob("*.toml"))),
    ("bench", data_folder("models") / "bench.toml"),
    *(("shop", p) for p in sorted((data_folder("priors") / "shop").glob("*.toml"))),
]


def bench(*args: str) -> Result:
    return CliRunner().invoke(main, args)


# ---- new --------------------------------------------------------------------------------------


def test_new_system_passes_its_check_and_works(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What ``new`` writes has no mistake and no doubt, and answers a job."""
    monkeypatch.setenv("BENCHODDS_FOLDER", str(tmp_path))
    monkeypatch.setenv("BENCHODDS_STORE", str(tmp_path / "jobs.sqlite"))
    result = bench("new", "my-lamp")
    assert result.exit_code == 0, result.output
    checked = check(str(tmp_path / "models" / "my-lamp.toml"))
    assert checked.remarks == ()
    assert "my-lamp" in available("models")
    assert bench("open", "--system", "my-lamp", "--complaint", "dark", "--name", "l").exit_code == 0
    bench("record", "l", "vbat", "12.4")
    bench("record", "l", "vlamp", "12.3")
    odds = json.loads(bench("odds", "l", "--json").output)
    assert odds["machine"][0]["component"] == "lamp" and odds["machine"][0]["p"] > 0.8


def test_new_never_overwrites_and_takes_no_odd_name(tmp_path: Path) -> None:
    """A name that is there, or is none, is refused with a sentence."""
    assert bench("new", "mine", "--to", str(tmp_path)).exit_code == 0
    again = bench("new", "mine", "--to", str(tmp_path))
    assert again.exit_code == 2 and "is there already" in again.output
    for name in ("Mine", "../x", "bench", "a b", ""):
        refused = bench("new", "--to", str(tmp_path), "--", name)
        assert refused.exit_code == 2 and "cannot name a system" in refused.output
    assert sorted(p.name for p in tmp_path.rglob("*.toml")) == ["mine.toml", "mine.toml"]


# ---- schema -----------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_schema_is_one(kind: str, tmp_path: Path) -> None:
    """Each schema is valid under its own dialect, and printed and written alike."""
    jsonschema.Draft202012Validator.check_schema(schema_of(kind))
    result = bench("schema", kind)
    assert json.loads(result.output) == schema_of(kind)
    path = tmp_path / "s.json"
    assert bench("schema", kind, "--to", str(path)).exit_code == 0
    assert json.loads(path.read_text(encoding="utf-8")) == schema_of(kind)
    assert bench("schema", kind, "--to", str(tmp_path / "no" / "s.json")).exit_code == 2


@pytest.mark.parametrize(("kind", "path"), SHIPPED, ids=lambda x: getattr(x, "name", x))
def test_shipped_files_fit_their_schema(kind: str, path: Path) -> None:
    """Every shipped file is valid by an independent JSON Schema library."""
    jsonschema.Draft202012Validator(schema_of(kind)).validate(
        tomllib.loads(path.read_text(encoding="utf-8"))
    )


@pytest.mark.parametrize(
    ("keys", "value"),
    [
        (("tests", "vexc", "kind"), "peek"),
        (("tests", "vexc", "minuets"), "3 min"),
        (("tests", "vexc", "minutes"), 3),
        (("tests", "vexc", "limit", "displayed"), "yes"),
        (("repairs", "new-plug", "act_at"), 1.5),
        (("components", "exc", "modes"), {}),
        (("schema",), 2),
        (("variant",), "early"),
    ],
    ids=str,
)
def test_schema_refuses_mistakes(keys: tuple[str, ...], value: Any) -> None:
    """A wrong word, key, type or number is refused by the schema as it is by ``check``."""
    raw = tomllib.loads((data_folder("models") / "mag-cdi.toml").read_text(encoding="utf-8"))
    place = raw
    for key in keys[:-1]:
        place = place[key]
    place[keys[-1]] = value
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(schema_of("model")).validate(raw)


def test_schema_explains_every_key_of_a_model() -> None:
    """Editors show what a key is for: every key of a model file has a description."""
    schema = schema_of("model")
    for name, place in {"": schema, **schema["$defs"]}.items():
        for key, field in place.get("properties", {}).items():
            assert len(field.get("description", "")) > 8, (name, key)


# ---- tutorial ---------------------------------------------------------------------------------

BLOCK = re.compile(r"^```(\w+)(?: ([\w./]+))?\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def test_tutorial_can_be_followed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every block in turn: files grow, commands run, and the outcome is what the text says."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("BENCHODDS_FOLDER", ".")
    monkeypatch.setenv("BENCHODDS_STORE", "jobs.sqlite")
    outputs: list[str] = []
    for kind, place, body in BLOCK.findall(tutorial()):
        if kind in ("toml", "csv"):
            with Path(place).open("a", encoding="utf-8") as file:
                file.write(body + "\n")
        elif kind == "sed":
            old, new = body.strip().split(" -> ")
            text = Path(place).read_text(encoding="utf-8")
            assert text.count(old) == 1
            Path(place).write_text(text.replace(old, new), encoding="utf-8")
        elif kind == "bash":
            for line in body.splitlines():
                outputs.append(_run(line, fails=place == "fails"))
        else:
            said = " ".join(body.split())
            assert said in " ".join(outputs[-1].split()), said
    text = "\n".join(outputs)
    assert "did you mean 'button_ohm'?" in text
    checks = [o for o in outputs if "Hardest to tell apart" in o]
    assert "Doubts: none" in checks[0] and "Blackthorn 175" in checks[0]
    assert "no test can tell" in checks[1] and "horn.open" in checks[1]
    assert "Doubts: none" in checks[-1]
    assert "DO: clean the button [button]" in outputs[-3], outputs[-3]
    assert (tmp_path / "model.schema.json").exists()


def _run(line: str, fails: bool) -> str:
    words = shlex.split(line)
    if words[0] == "mkdir":
        for folder in words[1:]:
            Path(folder).mkdir()
        return ""
    if words[0] == "export":
        assert words[1] == "BENCHODDS_FOLDER=."
        return ""
    assert words[0] == "benchodds", line
    result = bench(*words[1:])
    assert (result.exit_code != 0) == fails, (line, result.output)
    assert "Traceback" not in result.output
    return result.output


def test_tutorial_is_shown() -> None:
    """The command prints the very text that is tested."""
    assert bench("tutorial").output.strip() == tutorial().strip()
