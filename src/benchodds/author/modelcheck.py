"""Check a system's files: every mistake, every doubt, and what the tests can do.

A model file is looked at with every variant, with its bench file and its prior file, and
compiled when there is no mistake. Nothing is written, and no cache is used.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from benchodds.author.doubts import doubts_in_machine, doubts_in_model, unused
from benchodds.author.firsthour import FirstHour, first_hour
from benchodds.author.ownmachine import Own, doubts_in_overlay, not_stated
from benchodds.author.priorcheck import names_in, prior_doubts, prior_mistakes
from benchodds.author.separability import Separability, separability
from benchodds.basics.errors import BenchoddsError, ModelError, UnknownNameError, nearest
from benchodds.basics.language import _
from benchodds.basics.validation import quiet, validate
from benchodds.infer.assess import Machine
from benchodds.infer.network import physics
from benchodds.keep import files
from benchodds.keep.shopfile import load_shop
from benchodds.model.gear import Bench, build_bench, turned
from benchodds.model.priors import PriorSet
from benchodds.model.system import SystemModel, build_system


@dataclass(frozen=True)
class Remark:
    """One mistake or doubt: where it stands and what it is.

    ``variants`` names those it is about; empty for all of the file.
    """

    level: Literal["mistake", "doubt"]
    path: Path
    line: int | None
    key: str
    text: str
    variants: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Checked:
    """What was found about one system.

    ``apart`` has the separability of each variant that could be compiled, ``hours`` a first
    hour of each complaint of the default variant, ``own`` what an overlay makes of its base.
    """

    paths: tuple[Path, ...]
    title: str
    remarks: tuple[Remark, ...]
    apart: Mapping[str, Separability] = field(default_factory=dict)
    hours: tuple[tuple[str, FirstHour], ...] = ()
    own: Own | None = None

    @property
    def mistakes(self) -> tuple[Remark, ...]:
        """What must be mended before the file can be used."""
        return tuple(r for r in self.remarks if r.level == "mistake")

    @property
    def doubts(self) -> tuple[Remark, ...]:
        """What is legal, and probably not meant."""
        return tuple(r for r in self.remarks if r.level == "doubt")


def check(name: str) -> Checked:
    """Check the system of a model or prior file, or of a known name.

    Raises
    ------
    ModelError
        The file cannot be read as TOML at all.
    UnknownNameError
        There is no such file or system.
    """
    path = _found(name)
    raw = files.read_toml(path)
    if "cranking" in raw and "components" not in raw:
        return _check_bench(path, raw)
    if "rows" in raw and "components" not in raw:
        model_path = _beside(path, "models", str(raw.get("system", path.stem)))
        if model_path is None:
            text = _("'{system}' is no system known here, so its faults cannot be checked").format(
                system=raw.get("system")
            )
            return Checked(
                (path,),
                path.stem,
                (_remark("mistake", path, f"system: {text}"),),
            )
        return _Run(model_path, files.read_model(model_path), path).checked()
    return _check_model(path, raw)


def _check_model(path: Path, raw: dict[str, Any]) -> Checked:
    """A model file, or an overlay laid over its base."""
    name, base = str(raw.get("id", path.stem)), str(raw.get("base", ""))
    priors = _beside(path, "priors", name) or (_beside(path, "priors", base) if base else None)
    try:
        whole, followed = files.laid(raw, path)
    except ModelError as error:
        remarks = tuple(_remark("mistake", path, p) for p in str(error).splitlines())
        return Checked((path,), path.stem, remarks)
    if not base:
        return _Run(path, whole, priors).checked()
    under = files.base_file(raw)
    run, beneath = _Run(path, whole, priors), files.read_toml(under)
    checked = run.checked(doubts_in_overlay(raw, beneath))
    unstated = () if checked.mistakes else tuple(not_stated(whole, beneath))
    return replace(checked, own=Own(base, under, followed, unstated))


def _found(name: str) -> Path:
    path = files.find("models", name)
    if not path.exists():
        raise UnknownNameError(_("there is no file {path}").format(path=path))
    return path


def _beside(path: Path, kind: str, name: str) -> Path | None:
    """The file of that name in the folder beside this one, else the one known here."""
    near = path.resolve().parent.parent / kind / f"{name}.toml"
    if near.exists():
        return near
    try:
        return files.find(kind, name)
    except UnknownNameError:
        return None


def _remark(
    level: Literal["mistake", "doubt"],
    path: Path,
    problem: str,
    variant: str | None = None,
    variants: Iterable[str] = (),
) -> Remark:
    ((line, key, text),) = files.locate(path.read_text(encoding="utf-8"), [problem], variant)
    return Remark(level, path, line, key, text, tuple(variants))


def _check_bench(path: Path, raw: Mapping[str, Any]) -> Checked:
    try:
        build_bench(raw)
    except ModelError as error:
        remarks = tuple(_remark("mistake", path, p) for p in str(error).splitlines())
        return Checked((path,), "bench", remarks)
    return Checked((path,), "bench", ())


def _told(meeting: Any) -> Iterable[tuple[str, list[str]]]:
    """The other system's faults that a meeting names, by key; what is malformed is left out."""
    for section, inner in (("stands_for", None), ("raises", "by")):
        entries = meeting.get(section) if isinstance(meeting, dict) else None
        for fault, value in entries.items() if isinstance(entries, dict) else ():
            texts = value.get(inner) if inner and isinstance(value, dict) else value
            if isinstance(texts, list):
                yield f"{section}.'{fault}'", [t for t in texts if isinstance(t, str)]


@dataclass
class _Run:
    """One check in progress: problems by (level, file, text) with the variants they are in."""

    path: Path
    raw: Mapping[str, Any]
    prior_path: Path | None
    problems: dict[tuple[Literal["mistake", "doubt"], Path, str], list[str]] = field(
        default_factory=dict
    )

    unused: dict[str, list[str]] = field(default_factory=dict)

    def checked(self, doubts: Iterable[str] = ()) -> Checked:
        """All that can be found out, with doubts that are known already."""
        models = self._models()
        for problem in doubts:
            self._add("doubt", self.path, problem)
        self._meetings()
        priors = self._priors(list(models.values()))
        bench = self._bench(models)
        apart: dict[str, Separability] = {}
        hours: list[tuple[str, FirstHour]] = []
        if not self._any_mistake() and priors is not None and bench is not None:
            for variant, model in models.items():
                machine = self._machine(model, bench, priors)
                if machine is None:
                    continue
                apart[variant] = separability(machine)
                for problem in doubts_in_machine(machine, apart[variant]):
                    self._add("doubt", self.path, problem, variant)
                if variant == model.default_variant:
                    shop = load_shop("shop")
                    hours = [(c, first_hour(machine, c, shop)) for c in model.complaints]
        first = next(iter(models.values()), None)
        title = f"{first.id} {first.version}: {first.title}" if first else self.path.stem
        paths = (self.path, *([self.prior_path] if self.prior_path else []))
        remarks = tuple(self._remarks(self._variants()))
        return Checked(paths, title, remarks, apart, tuple(hours))

    def _add(
        self, level: Literal["mistake", "doubt"], path: Path, problem: str, variant: str = ""
    ) -> None:
        self.problems.setdefault((level, path, problem), []).append(variant)

    def _any_mistake(self) -> bool:
        return any(level == "mistake" for level, _, _ in self.problems)

    def _variants(self) -> list[str]:
        variants = self.raw.get("variants")
        return list(variants) if isinstance(variants, dict) else []

    def _models(self) -> dict[str, SystemModel]:
        """The model of every variant that has no mistake."""
        models = {}
        for variant in self._variants() or [""]:
            try:
                models[variant] = build_system(self.raw, variant or None)
            except BenchoddsError as error:
                for problem in str(error).splitlines():
                    self._add("mistake", self.path, problem, variant)
                continue
            for problem in doubts_in_model(models[variant]):
                self._add("doubt", self.path, problem, variant)
        return models

    def _meetings(self) -> None:
        """Faults of other systems that this one names, where those systems are known here."""
        meets = self.raw.get("meets")
        for system, meeting in meets.items() if isinstance(meets, dict) else ():
            path = _beside(self.path, "models", str(system))
            if path is None:
                text = f"meets.{system}: " + _(
                    "no system '{system}' is known here, so nothing of it counts"
                ).format(system=system)
                self._add("doubt", self.path, text)
                continue
            faults = names_in(files.read_toml(path)).faults
            for key, texts in _told(meeting):
                for text in texts:
                    part, _dot, mode = text.partition(".")
                    if text not in faults and not (
                        mode == "*" and any(f.startswith(f"{part}.") for f in faults)
                    ):
                        near = nearest(text, faults)
                        problem = f"meets.{system}.{key}: " + _(
                            "'{text}' is not a fault of {system}{near}"
                        ).format(text=text, system=system, near=near)
                        self._add("mistake", self.path, problem)

    def _bench(self, models: Mapping[str, SystemModel]) -> Bench | None:
        try:
            bench = files.load_bench(str(self.raw.get("bench", "bench")))
        except BenchoddsError as error:
            self._add("mistake", self.path, f"bench: {error}")
            return None
        cranking = self.raw.get("cranking")
        if isinstance(cranking, dict) and all(
            isinstance(x, (int, float)) for x in cranking.values()
        ):
            try:
                turned(bench, cranking)
            except ModelError as error:
                self._add("mistake", self.path, str(error))
                return None
        for variant, model in models.items():
            for problem in unused(model, bench):
                self.unused.setdefault(problem, []).append(variant)
        return bench

    def _priors(self, models: list[SystemModel]) -> PriorSet | None:
        if self.prior_path is None:
            self._add(
                "mistake",
                self.path,
                "id: "
                + _(
                    "no prior file for '{id}'; write one beside models/, in priors/, with a row "
                    "for every fault"
                ).format(id=self.raw.get("id")),
            )
            return None
        raw = files.read_toml(self.prior_path)
        priors, mistakes, touched = validate(PriorSet, raw)
        if priors is not None:
            mistakes += quiet(prior_mistakes(priors, names_in(self.raw)), touched)
        for problem in mistakes:
            self._add("mistake", self.prior_path, problem)
        if mistakes or priors is None or not models:
            return None
        for problem in prior_doubts(priors, models):
            self._add("doubt", self.prior_path, problem)
        return priors

    def _machine(self, model: SystemModel, bench: Bench, priors: PriorSet) -> Machine | None:
        try:
            compiled = physics(model, bench)
            thin = model.thinned()
            if thin is not model:  # what is looked at in a machine does not ask for more
                compiled = physics(thin, bench)
            return Machine(thin, bench, priors, *compiled)
        except ModelError as error:
            self._add("mistake", self.path, str(error), model.variant)
            return None

    def _remarks(self, variants: list[str]) -> Iterable[Remark]:
        """Problems as remarks, in the order of the lines; what one variant uses is used."""
        for problem, found in self.unused.items():
            if set(found) == set(variants):
                self._add("doubt", self.path, problem)
        out = []
        for (level, path, problem), found in self.problems.items():
            named = [v for v in found if v]
            some = () if set(named) == set(variants) else tuple(named)
            out.append(_remark(level, path, problem, named[0] if named else None, some))
        return sorted(out, key=lambda r: (str(r.path) != str(self.path), r.line or 0))
