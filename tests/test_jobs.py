"""The job as a fold over its events: what may follow what, and what every part becomes."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from types import MappingProxyType
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchodds.basics.errors import (
    BenchoddsError,
    JobError,
    ReadingError,
    TextError,
    UnknownNameError,
)
from benchodds.model.events import Event
from benchodds.model.jobs import (
    Action,
    Job,
    Note,
    SetupMark,
    Technique,
    action_event,
    amend,
    check_name,
    close_event,
    fold,
    gear_event,
    note_event,
    open_event,
    reading_event,
    reopen_event,
    setup_event,
    strike_event,
)

AT = "2025-01-31T09:30:00Z"


def opening(uid: str = "u0", **changes: Any) -> Event:
    """Return an event that opens a job."""
    said: dict[str, Any] = {
        "system": "mag-cdi",
        "variant": "early",
        "complaint": "no-spark",
        "contexts": ("washed",),
        "model_version": "1",
        "prior_set": "common",
        "prior_version": "3",
    }
    return open_event(at=AT, uid=uid, **(said | changes))


def reading(job: Job, uid: str = "", *values: str, **technique: Any) -> Event:
    """Return an event that records a reading of the exciter."""
    said = Technique(**technique)
    return reading_event(
        job, at=AT, uid=uid, test="exciter-peak", values=values or ("112 V",), technique=said
    )


def job_of(*makers: Callable[[Job], Event]) -> Job:
    """Return a job to which the makers' events were added one after the other."""
    job = fold("1", [opening()])
    for make in makers:
        job = amend(job, make(job))
    return job


def strike(name: str, uid: str = "", reason: str = "wrong terminal") -> Callable[[Job], Event]:
    """Return a maker of an event that strikes a reading."""
    return lambda job: strike_event(job, name, at=AT, uid=uid, reason=reason)


def close(job: Job) -> Event:
    """Return an event that closes the job."""
    return close_event(job, at="2025-01-31T11:00:00Z", uid="", verdict={"repair": "exciter"})


# --- What the parts become ---


def test_opening() -> None:
    """A job knows what it was opened with and begins open and empty."""
    job = fold("7", [opening(name="blue-bike")])
    assert (job.id, job.name, job.opened_at) == ("7", "blue-bike", AT)
    assert (job.system, job.variant, job.complaint) == ("mag-cdi", "early", "no-spark")
    assert (job.contexts, job.model_version) == (("washed",), "1")
    assert (job.prior_set, job.prior_version) == ("common", "3")
    assert (job.readings, job.closed, job.is_closed) == ((), None, False)
    assert [e.seq for e in job.events] == [1]


def test_reading() -> None:
    """A reading keeps its values as written, its technique, its time and its event's number."""
    job = job_of(lambda j: reading(j, "", "98", "4k7", "OL@200", kicks=3, how="firm-kick"))
    (only,) = job.readings
    assert (only.id, only.seq, only.test, only.at) == ("R1", 2, "exciter-peak", AT)
    assert only.values == ("98", "4k7", "OL@200")
    assert only.technique == Technique(how="firm-kick", kicks=3)


def test_strike_leaves_the_record() -> None:
    """A struck reading stays on record with its reason, and later ones keep counting on."""
    job = job_of(reading, reading, strike("r1"), reading)
    assert [(r.id, r.struck) for r in job.readings] == [
        ("R1", "wrong terminal"),
        ("R2", None),
        ("R3", None),
    ]
    assert [r.id for r in job.live_readings] == ["R2", "R3"]
    assert [e.kind for e in job.events] == ["opened", "reading", "reading", "struck", "reading"]


def test_setups_in_order() -> None:
    """Set-up corrections keep their order and number, and the last word on each counts."""
    job = job_of(
        lambda j: setup_event(j, "tank-off", True, at=AT, uid=""),
        reading,
        lambda j: setup_event(j, "tank-off", False, at=AT, uid=""),
    )
    assert job.setup_log == (SetupMark(2, "tank-off", True), SetupMark(4, "tank-off", False))
    assert job.setups == {"tank-off": False}


def test_gear_latest_wins() -> None:
    """The latest declaration of an instrument wins, and None takes it back."""
    job = job_of(
        lambda j: gear_event(j, {"meter": "10M", "operator": "ana"}, at=AT, uid=""),
        lambda j: gear_event(j, {"meter": "20k/V", "operator": None}, at=AT, uid=""),
    )
    assert job.gear == {"meter": "20k/V"}


def test_actions_and_notes() -> None:
    """Repairs and remarks are kept with number and time."""
    job = job_of(
        lambda j: action_event(j, "clean-earth", at=AT, uid="", note="rusty"),
        lambda j: note_event(j, "rain on Sunday", at=AT, uid=""),
    )
    assert job.actions == (Action("D1", 2, AT, "clean-earth", "rusty"),)
    assert job.notes == (Note(3, AT, "rain on Sunday"),)


def test_close_and_reopen() -> None:
    """A closed job takes remarks only; re-opened it goes on, and its first verdict is history."""
    job = job_of(reading, close)
    assert (job.closed, job.closed_at) == ({"repair": "exciter"}, "2025-01-31T11:00:00Z")
    refused: list[Callable[[Job], Event]] = [
        reading,
        strike("R1"),
        close,
        lambda j: gear_event(j, {"meter": "10M"}, at=AT, uid=""),
        lambda j: setup_event(j, "tank-off", True, at=AT, uid=""),
        lambda j: action_event(j, "clean-earth", at=AT, uid=""),
    ]
    for make in refused:
        with pytest.raises(JobError, match="job '1' is closed; re-open it first"):
            make(job)
    job = amend(job, note_event(job, "runs well", at=AT, uid=""))
    job = amend(job, reopen_event(job, at=AT, uid="", reason="came back"))
    assert (job.closed, job.closed_at, len(job.notes)) == (None, None, 1)
    assert amend(job, reading(job)).readings[-1].id == "R2"


def test_empty_verdict_closes() -> None:
    """An empty verdict closes a job like any other."""
    job = job_of(lambda j: close_event(j, at=AT, uid="", verdict={}))
    assert (job.closed, job.is_closed) == ({}, True)


def test_amend_leaves_the_old_job() -> None:
    """Adding an event as if makes another job and leaves the first as it was."""
    before = job_of(reading)
    after = amend(before, strike("R1")(before))
    assert before.readings[0].struck is None
    assert after.readings[0].struck == "wrong terminal"
    assert after.events[:2] == before.events


# --- Tokens ---


def test_same_token_is_one_event() -> None:
    """A retry with the same token gives the stored event and changes nothing."""
    job = job_of(lambda j: reading(j, "r"), strike("R1", "s"))
    assert strike("R1", "s")(job) is job.events[2]
    assert amend(job, replace(job.events[1], seq=0, at="2025-01-31T10:00:00Z")) is job
    assert fold("1", [*job.events, job.events[1]]) == job


def test_retry_after_closing() -> None:
    """A retry of what was done before the job was closed is still no fault."""
    job = job_of(lambda j: reading(j, "r"), close)
    assert reading(job, "r") is job.events[1]


def test_token_of_another_event() -> None:
    """A token that stands for something else is refused, lest a changed value be lost."""
    job = job_of(lambda j: reading(j, "r", "98"))
    for make in (lambda j: reading(j, "r", "89"), strike("R1", "r")):
        with pytest.raises(JobError, match=r"'r' stands for event 2 .* each event its own"):
            make(job)


def test_no_token_no_claim() -> None:
    """Events without a token are never taken for each other."""
    assert len(job_of(reading, reading).readings) == 2


# --- What is refused ---


@pytest.mark.parametrize(
    ("events", "fault"),
    [
        ([], "no events"),
        ([Event(1, AT, "note", {"text": "x"})], r"event 1 \(note\): a job begins with 'opened'"),
        ([opening(), opening("u1")], r"event 2 \(opened\): .*is opened once"),
        ([opening(), Event(3, AT, "note", {"text": "x"})], "numbered 3 where 2 is due"),
        ([opening(), Event(2, AT, "sold", {})], "'sold' is not a kind"),  # type: ignore[arg-type]
        ([opening(), Event(2, AT, "note", {})], "'text' is missing; it should be a text"),
        ([opening(), Event(2, AT, "setup", {"setup": "a", "open": 1})], "'open' is 1.*true or"),
        ([opening(), Event(2, AT, "struck", {"reading": "R1", "reason": "x"})], "no reading 'R1'"),
        ([opening(), Event(2, AT, "reopened", {})], "only a closed job"),
        ([opening(), Event(2, AT, "closed", {"verdict": "bad"})], "'verdict' is 'bad'.*table"),
        (
            [opening(), Event(2, AT, "reading", {"test": "t", "values": [], "technique": {}})],
            r"'values' is \[\]; it should be a list of one text or more",
        ),
        ([opening(), Event(2, AT, "note", ["text"])], "not a kind"),  # type: ignore[arg-type]
    ],
)
def test_illegal_histories(events: list[Event], fault: str) -> None:
    """A history that cannot be is refused, naming job, event and what would be right."""
    with pytest.raises(JobError, match=fault):
        fold("1", events)


def test_unknown_reading_names_the_nearest() -> None:
    """Striking a reading that is not there names the nearest."""
    with pytest.raises(
        UnknownNameError, match=r"job '1' has no reading 'R12'; did you mean 'R[12]'"
    ):
        strike("R12")(job_of(reading, reading))


def test_struck_once() -> None:
    """A struck reading is not struck again, and a reason must be given."""
    job = job_of(reading)
    with pytest.raises(JobError, match="'reason' is ' '; it should be a text"):
        strike("R1", reason=" ")(job)
    with pytest.raises(JobError, match=r"R1 is struck already \(wrong terminal\)"):
        strike("R1")(amend(job, strike("R1")(job)))


@pytest.mark.parametrize(
    "at",
    [
        "",
        "yesterday",
        "2025-01-31",
        "2025-01-31T09:30Z",
        "2025-13-31T09:30:00Z",
        "2025-01-31T09:30:00",
        "2025-01-31T09:30:00+01:00",
    ],
)
def test_time_is_utc_with_seconds(at: str) -> None:
    """A time that is not ISO 8601 in UTC with seconds is refused."""
    with pytest.raises(JobError, match="should be like 2025-01-31T09:30:00Z"):
        note_event(job_of(), "x", at=at, uid="")


@pytest.mark.parametrize("uid", ["a\nb", "a\0", "x" * 201])
def test_token_is_short_and_printable(uid: str) -> None:
    """A token with control characters, or an endless one, is refused."""
    with pytest.raises(JobError, match="at most 200 printable"):
        note_event(job_of(), "x", at=AT, uid=uid)


def deep(levels: int) -> dict[str, Any]:
    """Return tables nested so many levels deep."""
    return {"a": deep(levels - 1)} if levels else {}


@pytest.mark.parametrize(
    "value",
    [
        float("nan"),
        float("inf"),
        2**63,
        pytest.param(10**5000, id="too long to print"),
        {1: "a"},
        {"a"},
        b"a",
        object(),
        deep(30),
    ],
)
def test_only_plain_data(value: Any) -> None:
    """What would not come back from a store as it went in is refused."""
    with pytest.raises(JobError, match=r"cannot be kept in a job's record; use texts, finite"):
        close_event(job_of(), at=AT, uid="", verdict={"odds": value})


def test_plain_copy() -> None:
    """An event holds its own copy of what it was given, in plain JSON types."""
    given_: dict[str, Any] = {"odds": (0.5, 1), "by": MappingProxyType({"a": True})}
    event = close_event(job_of(), at=AT, uid="", verdict=given_)
    given_["odds"] = None
    assert event.data == {"verdict": {"odds": [0.5, 1], "by": {"a": True}}}


@pytest.mark.parametrize("name", ["", "12", "-x", "_x", "a b", "a/b", "a.b", "x" * 65, "x\n", "٣"])
def test_unfit_names(name: str) -> None:
    """A name that could be taken for an option, a path or a number is refused."""
    with pytest.raises(JobError, match="cannot name a job; use 1 to 64 letters"):
        check_name(name)


def test_fit_names() -> None:
    """Letters of any language name a job, in one written form."""
    assert [check_name(n) for n in ("blue-bike_2", "2nd", "sen\u0303ora")] == [
        "blue-bike_2",
        "2nd",
        "se\u00f1ora",
    ]


def test_missing_part_of_opening() -> None:
    """A job is not opened without saying on what."""
    with pytest.raises(JobError, match="'complaint' is ''; it should be a text"):
        opening(complaint="")
    with pytest.raises(JobError, match="'contexts' is 'washed'; it should be a list"):
        opening(contexts="washed")


# --- Technique ---


def test_technique_says_only_what_was_said() -> None:
    """A technique is written without what was not said, and read back the same."""
    said = Technique(how="starter", range_top=200, unplugged=False, kicks=2)
    assert said.as_data() == {"how": "starter", "range_top": 200, "unplugged": False, "kicks": 2}
    assert Technique.from_data({"lunar_phase": 3, "light": None} | said.as_data()) == said
    assert Technique().as_data() == {}


@pytest.mark.parametrize(
    ("said", "fault"),
    [
        ({"kicks": 2.5}, "kicks is 2.5; it should be a whole number"),
        ({"kicks": True}, "kicks is True; it should be a whole number"),
        ({"temp_c": "warm"}, "temp_c is 'warm'; it should be a number"),
        ({"unplugged": 1}, "unplugged is 1; it should be true or false"),
        ({"how": 3}, "how is 3; it should be a text"),
        ({"kicks": 0}, "kicks is 0; it should be 1 or more"),
        ({"range_top": -1}, "range_top is -1.0; it should be above 0"),
        ({"temp_c": 4000}, "temp_c is 4000.0; it should be from -60 to 400"),
        ({"leads": "shorted"}, "leads is 'shorted'; it should be 'nulled' or 'raw'"),
        ({"light": "moon"}, "light is 'moon'; it should be 'dark'"),
    ],
)
def test_technique_that_cannot_be(said: dict[str, Any], fault: str) -> None:
    """A technique of the wrong type or beyond sense is refused when recorded."""
    with pytest.raises(ReadingError, match=fault):
        reading(job_of(), **said)


def test_later_words_are_read() -> None:
    """A stored technique with a word or key of a later version does not lock the job up."""
    data = {"test": "t", "values": ["1"], "technique": {"light": "lamp", "lunar_phase": 3}}
    job = fold("1", [opening(), Event(2, AT, "reading", data)])
    assert job.readings[0].technique == Technique(light="lamp")
    assert job.events[1].data == data


# --- Any history ---

ids = st.integers(1, 4).map(lambda n: f"R{n}")
texts = st.text(max_size=8)
plain = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**63), 2**63 - 1)
    | texts
    | st.floats(allow_nan=False, allow_infinity=False),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(texts, inner, max_size=3),
    max_leaves=5,
)
tables = st.dictionaries(texts, plain, max_size=3)
techniques = st.builds(
    Technique,
    how=st.none() | texts,
    kicks=st.none() | st.integers(1, 9),
    temp_c=st.none() | st.floats(-60, 400) | st.integers(-60, 400),
    unplugged=st.none() | st.booleans(),
    light=st.sampled_from([None, "dark", "daylight"]),
)
deeds = st.one_of(
    st.tuples(st.just("reading"), texts, st.lists(texts, max_size=3), techniques),
    st.tuples(st.just("struck"), ids, texts),
    st.tuples(st.just("setup"), texts, st.booleans()),
    st.tuples(st.just("gear"), tables),
    st.tuples(st.just("action"), texts, st.none() | texts),
    st.tuples(st.just("note"), texts),
    st.tuples(st.just("closed"), tables),
    st.tuples(st.just("reopened"), st.none() | texts),
)


def do(job: Job, deed: tuple[Any, ...], uid: str) -> Event:
    """Return the event of a deed, by the builder of its kind."""
    match deed:
        case ("reading", test, values, said):
            return reading_event(job, at=AT, uid=uid, test=test, values=values, technique=said)
        case ("struck", name, reason):
            return strike_event(job, name, at=AT, uid=uid, reason=reason)
        case ("setup", setup, is_open):
            return setup_event(job, setup, is_open, at=AT, uid=uid)
        case ("gear", items):
            return gear_event(job, items, at=AT, uid=uid)
        case ("action", repair, note):
            return action_event(job, repair, at=AT, uid=uid, note=note)
        case ("note", text):
            return note_event(job, text, at=AT, uid=uid)
        case ("closed", verdict):
            return close_event(job, at=AT, uid=uid, verdict=verdict)
        case ("reopened", reason):
            return reopen_event(job, at=AT, uid=uid, reason=reason)
    raise AssertionError(deed)


@settings(max_examples=60, deadline=None)
@given(st.lists(deeds, max_size=12))
def test_whatever_the_builders_allow_folds(history: list[tuple[Any, ...]]) -> None:
    """Whatever the builders let through adds up step by step, at once, and from JSON alike."""
    job = fold("1", [opening()])
    for n, deed in enumerate(history, start=1):
        try:
            event = do(job, deed, f"u{n}")
        except BenchoddsError:
            continue
        assert event.seq == 0
        job = amend(job, event)
        assert amend(job, do(job, deed, f"u{n}")) is job
    assert fold("1", job.events) == job
    kept = [replace(e, data=json.loads(json.dumps(e.data))) for e in job.events]
    assert repr(fold("1", kept)) == repr(job)
    assert {r.id for r in job.live_readings} == {r.id for r in job.readings if r.struck is None}
    assert len(job.readings) == sum(e.kind == "reading" for e in job.events)


# --- Long records, names of files, retries ---


@pytest.mark.parametrize("key", ["system", "prior_set"])
@pytest.mark.parametrize(
    "name",
    ["/etc/x.toml", "x.toml", "../x", "a/b", "a\\b", "mag-cdi+../x", "a+", "+a", "a\0", "C:x"],
)
def test_a_job_names_no_path(key: str, name: str) -> None:
    """What a job is about is said by names, so that no file is opened because a record says so."""
    with pytest.raises(
        (JobError, TextError), match=f"'{key}' is .*without its folder|holds the control"
    ):
        opening(**{key: name})
    event = opening()
    with pytest.raises(JobError, match=f"'{key}' is .*without its folder"):
        fold("1", [replace(event, data={**event.data, key: name})])
    assert fold("1", [opening(**{key: "Señora_2+tci-tuned-3"})]).id == "1"


def test_a_retry_may_have_worked_out_other_odds() -> None:
    """Odds and files are worked out, not said: with the same token it is the same event."""
    job = job_of()
    odds = [{"p": {"exc.open": p}, "files": {}} for p in (0.5, 0.6)]
    events = [action_event(job, "new-plug", at=AT, uid="a", odds=o) for o in odds]
    job = amend(job, events[0])
    assert amend(job, events[1]) is job
    assert action_event(job, "new-plug", at=AT, uid="a", odds=odds[1]) == job.events[-1]
    assert job.actions[0].odds == odds[0]


@pytest.mark.parametrize("odds", [{"p": {"a": "x"}}, {"p": [1]}, [], {"p": {}, "files": {"a": 1}}])
def test_odds_that_are_none_are_refused(odds: Any) -> None:
    """What is kept as odds can be shown as odds."""
    with pytest.raises(JobError, match="'odds' is "):
        close_event(job_of(), at=AT, uid="", verdict={}, odds=odds)
