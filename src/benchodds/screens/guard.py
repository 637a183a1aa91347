"""Who may use the page: devices and their keys, pairing codes, form tokens.

On the loopback address every device is welcome. On the shop's network a device must first
show a code that the terminal prints; it then gets a key of its own, to work with or only to
look on, by the code. Keys are held in memory only, as hashes: they end with the program.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

Role = Literal["work", "look"]
ROLES: tuple[Role, ...] = ("work", "look")

CODE_DIGITS = 8
TRIES = 5
"""Wrong codes before a new one is made; with 8 digits a guess succeeds 5 times in 100 million."""
PAUSE_S = 30.0
"""How long after that no code is taken at all."""
MOST_DEVICES = 50


def _hash(key: str) -> str:
    return hashlib.sha256(key.encode()).hexdigest()


@dataclass
class Guard:
    """Pairing and form tokens of one run of the page.

    ``paired_only`` says whether devices must pair; ``tell`` prints a new code at the terminal;
    ``clock`` gives seconds.
    """

    paired_only: bool
    tell: Callable[[Role, str], None] = lambda role, code: None
    clock: Callable[[], float] = time.monotonic
    _secret: bytes = field(default_factory=lambda: secrets.token_bytes(32))
    _keys: dict[str, Role] = field(default_factory=dict)
    _codes: dict[Role, str] = field(default_factory=dict)
    _wrong: int = 0
    _closed_until: float = 0.0
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def __post_init__(self) -> None:
        if self.paired_only:
            self._renew(*ROLES)

    def _renew(self, *roles: Role) -> None:
        for role in roles:
            self._codes[role] = f"{secrets.randbelow(10**CODE_DIGITS):0{CODE_DIGITS}d}"
            self.tell(role, self._codes[role])
        self._wrong = 0

    def pair(self, code: str) -> str | None:
        """A key for a device that knows a code, else None; a code is good for one device."""
        digits = "".join(c for c in code if c in "0123456789")
        with self._lock:
            if self.clock() < self._closed_until or len(self._keys) >= MOST_DEVICES:
                return None
            for role, known in self._codes.items():
                if hmac.compare_digest(digits, known):
                    key = secrets.token_urlsafe(32)
                    self._keys[_hash(key)] = role
                    self._renew(role)
                    return key
            self._wrong += 1
            if self._wrong >= TRIES:
                self._closed_until = self.clock() + PAUSE_S
                self._renew(*ROLES)
            return None

    def new_device(self) -> str:
        """A key for a device where pairing is not asked for."""
        return secrets.token_urlsafe(32)

    def role(self, key: str | None) -> Role | None:
        """What a device may do with this key; None when it may not come in."""
        if not self.paired_only:
            return "work"
        return self._keys.get(_hash(key)) if key else None

    def form_token(self, key: str) -> str:
        """The token that a form sent from this device must carry (against forged requests)."""
        return hmac.new(self._secret, key.encode(), hashlib.sha256).hexdigest()

    def form_is_ours(self, key: str | None, token: str) -> bool:
        """Whether a form's token was made for this device by this run."""
        ours = self.form_token(key or "").encode()
        return bool(key) and hmac.compare_digest(ours, token.encode())
