"""One hash for whatever is written as JSON: equal contents have equal hashes, and only those."""

from __future__ import annotations

import hashlib
import json
from typing import Any

_canonical = json.JSONEncoder(sort_keys=True, separators=(",", ":"), default=str).encode

SHORT = 8
"""How many characters of a hash are shown to people."""


def digest(value: Any) -> str:
    """SHA-256, in 64 hexadecimal digits, of a value's canonical JSON.

    Canonical: keys sorted, no spaces, ASCII with escapes, numbers as Python writes them back;
    what JSON has no word for (a date in a TOML file) counts as its text.
    """
    return hashlib.sha256(_canonical(value).encode()).hexdigest()
