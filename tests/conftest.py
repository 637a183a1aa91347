"""Shared test settings."""

from __future__ import annotations

import os
import secrets
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

sys.path.insert(0, str(Path(__file__).parent))
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # there is a process for each core as it is


@pytest.fixture(autouse=True)
def _own_folders(
    monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[None]:
    """No test reads or writes the user's own store, models or cache.

    Compiled tables are shared by the processes of a run, whose folders lie beside each other;
    machines of a folder of a test's own are not left to the next one.
    """
    home = tmp_path_factory.getbasetemp()
    run = home.parent if "PYTEST_XDIST_WORKER" in os.environ else home
    monkeypatch.setenv("XDG_DATA_HOME", str(home / "share"))
    monkeypatch.setenv("BENCHODDS_CACHE", str(run / "cache"))
    monkeypatch.delenv("BENCHODDS_STORE", raising=False)
    monkeypatch.delenv("BENCHODDS_FOLDER", raising=False)
    yield
    if "BENCHODDS_FOLDER" in os.environ:
        from benchodds.keep.session import load_machine

        load_machine.cache_clear()


SERVER = "BENCHODDS_TEST_SERVER"


@pytest.fixture
def server_url() -> Iterator[str]:
    """A fresh database on the PostgreSQL server that the environment names."""
    where = os.environ.get(SERVER)
    if not where:
        pytest.skip(f"{SERVER} does not name a PostgreSQL server")
    import psycopg

    name = f"test_{secrets.token_hex(6)}"
    with psycopg.connect(where, autocommit=True) as conn:
        conn.execute(f"CREATE DATABASE {name}")
    try:
        yield urlsplit(where)._replace(path=f"/{name}").geturl()
    finally:
        with psycopg.connect(where, autocommit=True) as conn:
            conn.execute(f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A headless browser."""
    from browsing import launch

    yield from launch()


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Any]:
    """A job and the page that serves it."""
    from browsing import serve

    yield from serve(tmp_path)
