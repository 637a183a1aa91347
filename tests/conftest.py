"""Shared test settings."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture(autouse=True)
def _own_folders(monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory) -> None:
    """No test reads or writes the user's own store, models or cache."""
    home = tmp_path_factory.getbasetemp()
    monkeypatch.setenv("XDG_DATA_HOME", str(home / "share"))
    monkeypatch.setenv("BENCHODDS_CACHE", str(home / "cache"))
    monkeypatch.delenv("BENCHODDS_STORE", raising=False)
    monkeypatch.delenv("BENCHODDS_FOLDER", raising=False)
