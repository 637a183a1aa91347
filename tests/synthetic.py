"""Invented systems of any size: a supply in series with many parts, a test behind each."""

from __future__ import annotations

from typing import Any

from benchodds.infer.assess import Machine
from benchodds.infer.network import physics
from benchodds.keep import files
from benchodds.model import jobs
from benchodds.model.jobs import Job
from benchodds.model.priors import PriorSet, build_priors
from benchodds.model.system import SystemModel, build_system


def series(n: int) -> tuple[SystemModel, PriorSet]:
    """``n`` parts in series with two faults each; a look at and volts behind every part.

    2 n tests, n remedies, one set-up for each ten parts. A chain is how circuits are built,
    and its tests range from telling one part to halving the rest.
    """
    components, quantities, tests, setups, repairs, rows = {}, {}, {}, {}, {}, []
    before = "12.6"
    for i in range(n):
        part, volts = f"part{i:03d}", f"volts{i:03d}"
        components[part] = {
            "title": f"part {i}",
            "modes": {"weak": "loses volts", "open": "lets nothing through"},
        }
        quantities[volts] = {
            "title": f"volts behind part {i}",
            "unit": "V",
            "grid": {
                "low": "1 V",
                "high": "13 V",
                "cells": 6,
                "spacing": "linear",
                "atoms": ["0 V"],
                "sub": 2,
            },
            "formula": f"{before} * f",
            "modes": {
                "f": {"of": part, "otherwise": "1", "by": {"weak": "N(0.6, 0.1)", "open": "0"}}
            },
            "provenance": "judgement",
        }
        before = volts
        need = f"S{i // 10}"
        setups[need] = {"title": "cover off", "minutes": f"{2 + i // 10 % 5} min"}
        tests[f"look{i:03d}"] = {
            "title": "look at it",
            "do": "look",
            "kind": "look",
            "minutes": "1 min",
            "needs": [need],
            "outcomes": ["sound", "burnt"],
            "passes": ["sound"],
            "base": {"sound": 0.97, "burnt": 0.03},
            "causes": {f"{part}.*": {"burnt": 0.4, "sound": 0.6}},
            "provenance": "judgement",
        }
        tests[f"meter{i:03d}"] = {
            "title": "volts behind it",
            "do": "measure",
            "kind": "meter",
            "unit": "V",
            "minutes": "2 min",
            "needs": [need],
            "signal": volts,
            "span": ["0.1 V", "15 V"],
            "limit": {"min": "11.5 V", "measurand": volts, "source": "invented"},
            "provenance": "judgement",
        }
        repairs[f"new{i:03d}"] = {
            "title": "new part",
            "clears": [f"{part}.*"],
            "cost": 1 + i % 13,
            "minutes": "10 min",
            "act_at": 0.6,
            "provenance": "judgement",
        }
        rows += [
            {
                "fault": f"{part}.{mode}",
                "share": {"dead": share * (1 + i % 4)},
                "provenance": "judgement",
            }
            for mode, share in (("weak", 0.6), ("open", 0.4))
        ]
    rows.append({"fault": "none.elec", "share": {"dead": 1.0}, "provenance": "judgement"})
    raw: dict[str, Any] = {
        "schema": 1,
        "id": "series",
        "version": "1",
        "title": "parts in series",
        "notice": "invented",
        "default_variant": "only",
        "complaints": {"dead": "nothing works"},
        "variants": {"only": {"title": "the only one"}},
        "components": components,
        "quantities": quantities,
        "setups": setups,
        "tests": tests,
        "repairs": repairs,
    }
    priors = {
        "schema": 1,
        "id": "series",
        "version": "1",
        "system": "series",
        "strength": 40,
        "together": {"two_or_more": 0.05, "unnoticed": {"dead": 0.02}, "provenance": "judgement"},
        "rows": rows,
    }
    return build_system(raw), build_priors(priors)


def machine(n: int) -> Machine:
    """A machine of ``n`` parts, compiled."""
    model, priors = series(n)
    bench = files.load_bench("bench")
    return Machine(model, bench, priors, *physics(model, bench))


def job() -> Job:
    """A job without readings."""
    event = jobs.open_event(
        at="2026-01-05T09:00:00Z",
        uid="0",
        system="series",
        variant="only",
        complaint="dead",
        contexts=[],
        model_version="1",
        prior_set="series",
        prior_version="1",
    )
    return jobs.fold("b", [event])
