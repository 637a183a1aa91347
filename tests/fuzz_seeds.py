"""Good inputs of every kind, for :mod:`fuzz` to change."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
DATA = ROOT / "tests" / "data" / "fuzz"
TEMPLATES = ROOT / "src" / "benchodds" / "templates" / "new"
SHEET = """\
# a sheet
vbat 12.4
"vlamp" '12,4 V' ; meter=10M accuracy=0.8%+3 range=20 temp=20
vlamp 'unstable 3..9' ; leads=nulled unplugged=yes light=dark how=starter kicks=3 operator=A
rlamp OL@200; how=starter adapter=none
fuse-look whole
"""
FORMULAS = (
    "min(exciter * rpm, ceiling) * step(rpm - fire_rpm)",
    "divider(v, parallel(a, 4.7), series(b, c, d)) + clip(-x, 0, 1e3) / where(a - b, 2, 3)",
    "LN(0.30 V, 0.20)",
    "0.4: 1 V | 0.6: U(0 V, 0.1 V)",
    "N(1 V, 0.1 V)",
    "band(1 V, 2 V)",
    "Exp(3 V)",
)


def seeds() -> dict[str, list[bytes]]:
    """Good inputs of every kind, to begin with."""
    from benchodds.keep import archive
    from benchodds.keep.store import Store

    whole = every_event()
    with tempfile.TemporaryDirectory() as folder:
        with Store.open(Path(folder) / "jobs.sqlite") as made:
            made.take_in([archive.Record("1", whole.events)])
        kept = (Path(folder) / "jobs.sqlite").read_bytes()
    words = "14|0.3 ohm|4.7k|4k7|R47|112 V|OL|OL@200|unstable 3..40|none 0/10|0,8%+3|20k/V"
    return {
        "readings": [w.encode() for w in words.split("|")],
        "model": [small_model()],
        "priors": [(ROOT / "priors" / "starter.toml").read_bytes()],
        "bench": [(ROOT / "models" / "bench.toml").read_bytes()],
        "card": [p.read_bytes() for p in (ROOT / "demo" / "instruments").glob("*.toml")],
        "shop": [p.read_bytes() for p in (ROOT / "priors" / "shop").glob("*.toml")],
        "csv": [(DATA / "jobs.csv").read_bytes()],
        "jsonl": [(DATA / "jobs.jsonl").read_bytes()],
        "jobs": ["\n".join(archive.write([whole])).encode()],
        "formula": [f.encode() for f in FORMULAS],
        "sheet": [SHEET.encode()],
        "text": ["4k7 Ω é".encode(), b"e\xcc\x81 \xe2\x80\xae \x1b[2J \xff"],
        "mapping": [(ROOT / "demo" / "import" / "ours.toml").read_bytes()],
        "list": [(ROOT / "demo" / "import" / "list.csv").read_bytes()],
        "check": [small_model()],
        "network": [(DATA / "network.bifxml").read_bytes()],
        "store": [kept],
    }


def every_event() -> Any:
    """A job with an event of every kind."""
    from benchodds.model import jobs as j
    from benchodds.model.jobs import Technique

    at = {"at": "2031-01-01T00:00:00Z"}
    facts = dict.fromkeys(("variant", "complaint", "model_version", "prior_set"), "x")
    opened = j.open_event(
        uid="a", system="mag-cdi", contexts=["washed"], prior_version="1", **at, **facts
    )
    job = j.fold("1", [opened])
    said = Technique(how="firm-kick", meter="10M", kicks=3, leads="raw", temp_c=20.0)
    closing = {"faults": ["exc.open"], "grade": "bench-bad", "minutes": 31.5, "note": "n"}
    for number, make in enumerate(
        (
            lambda job, u: j.gear_event(job, {"meter": "10M"}, uid=u, **at),
            lambda job, u: j.reading_event(
                job, test="vexc", values=["20", "34"], technique=said, note="é", uid=u, **at
            ),
            lambda job, u: j.setup_event(job, "A", True, uid=u, **at),
            lambda job, u: j.strike_event(job, "R1", reason="mistyped", uid=u, **at),
            lambda job, u: j.action_event(job, "new-plug", note="n", uid=u, **at),
            lambda job, u: j.note_event(job, "a remark", uid=u, **at),
            lambda job, u: j.close_event(job, verdict=closing, uid=u, **at),
            lambda job, u: j.reopen_event(job, reason="came back", uid=u, **at),
            lambda job, u: j.close_event(job, verdict=closing, uid=u, **at),
        )
    ):
        job = j.amend(job, make(job, f"u{number}"))
    return job


def small_model() -> bytes:
    """The starting file of a new system."""
    text = (TEMPLATES / "model.toml").read_text("utf-8")
    return text.replace("@NAME@", "mine").encode()


def small_priors() -> str:
    """Its prior file."""
    return (TEMPLATES / "priors.toml").read_text("utf-8").replace("@NAME@", "mine")
