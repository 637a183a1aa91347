"""What is whole in a damaged store or file of jobs: every whole job, every event before damage.

Nothing is taken on trust: where events carry hashes, a job is what its chain proves, whatever the
tables say of it, its name included. A store of before the hashes is read as far as it makes sense.
"""

from __future__ import annotations

import json
import shutil
import sqlite3
import tempfile
from collections import defaultdict
from collections.abc import Iterable
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

from benchodds.basics.errors import StoreError
from benchodds.basics.language import _
from benchodds.keep.archive import OPEN_FORM, as_event
from benchodds.keep.database import EventRow, event_of, parsed_url
from benchodds.keep.leaves import Leaves, Row
from benchodds.keep.store import Store
from benchodds.keep.whole import Found, Part, Place
from benchodds.model.chain import Head


def rescue(where: str | Path) -> list[Part]:
    """All jobs of a store or a file of JSON lines, each as far as it is whole; nothing is changed.

    Raises StoreError when there is nothing to read."""
    url = parsed_url(where)
    if url is not None and url.scheme != "sqlite":
        with Store.open(where, create=False, read_only=True) as store:
            return _parts(store.found())
    path = Path(url.path[1:] if url is not None else where).expanduser().absolute()
    try:
        if path.suffix == OPEN_FORM:
            return _parts(_in_lines(path.read_bytes()))
        return _parts(_in_rows(Leaves(_bytes(path)).rows()))
    except OSError as error:
        raise StoreError(
            _("{source} cannot be read ({reason})").format(source=path, reason=error.strerror)
        ) from None


def _bytes(path: Path) -> bytes:
    """A store's file, a write that was torn off rolled back where SQLite still can."""
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy"
        shutil.copyfile(path, copy)
        with suppress(FileNotFoundError):
            shutil.copyfile(f"{path}-journal", f"{copy}-journal")
        with suppress(sqlite3.Error, UnicodeDecodeError), closing(sqlite3.connect(copy)) as conn:
            conn.execute("SELECT count(*) FROM sqlite_master")
        return copy.read_bytes()


def _in_rows(rows: Iterable[Row]) -> Iterable[Found]:
    """What the rows of a store's tables say of each job."""
    found: defaultdict[int, Found] = defaultdict(Found)
    for number, row in rows:
        match row:
            case (None, str(job_id), str(folded), int() | None as n):
                found[number].places.append(Place(job_id, folded, n))
            case (None, int(events), str(hash_)):
                found[number].heads.append(Head(events, hash_))
            case (int(job), int(seq), str(), str(), str() | None, str(), *_hash):
                if len(row) <= len(EventRow._fields):
                    event = EventRow(*row)
                    found[job].add(seq, event_of(event), event.hash)
    return (found[key] for key in sorted(found))


def _in_lines(data: bytes) -> Iterable[Found]:
    """What each line of a file of jobs says."""
    for line in data.split(b"\n"):
        row: Any = None
        with suppress(ValueError, RecursionError):
            row = json.loads(line)
        if line.strip() and not (isinstance(row, dict) and "format" in row):
            yield _of_line(row if isinstance(row, dict) else {})


def _of_line(row: dict[str, Any]) -> Found:
    found = Found([Place.of(str(name)) for name in (row.get("job"), row.get("name")) if name])
    rows = [e for e in row.get("events") or () if isinstance(e, dict)]
    for event in rows:
        found.add(event.get("seq"), as_event(event), event.get("hash"))
    if rows and rows[-1].get("hash"):
        found.heads.append(Head(len(rows), str(rows[-1]["hash"])))
    return found


def _parts(every: Iterable[Found]) -> list[Part]:
    """The jobs, in order; empty places (a row that was no job's) are passed over."""
    known = [found for found in every if found.events or found.places]
    hashed = any(h for f in known for some in f.events.values() for _event, h in some)
    return [_part(found, len(known), hashed=hashed) for found in known]


def _part(found: Found, n_jobs: int, *, hashed: bool) -> Part:
    """A job by the name that fits its chain: its row's, its opening's, or else a number's."""
    names = [name for p in found.places for name in (p.id, p.folded, str(p.number))]
    names += [str(e.data.get("name")) for e, _hash in found.events.get(1, ())]
    names += map(str, range(1, 2 * n_jobs + 100))
    heads = sorted(found.heads, key=lambda head: -head.events)[:1]
    parts = (
        Found([Place.of(name)], heads, found.events).read(hashed=hashed)
        for name in dict.fromkeys(names if hashed else [found.id])
    )
    whole = next((part for part in parts if part.job is not None), None)
    return whole or Part(found.read(hashed=hashed).name, None, found.read(hashed=hashed).damage)
