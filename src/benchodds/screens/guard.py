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
from typing import Any, Literal

Role = Literal["work", "look"]
ROLES: tuple[Role, ...] = ("work", "look")

CODE_DIGITS = 12
"""So many that guessing is hopeless from any number of addresses: 500 guesses a second, more than
the page answers, find one of the two codes within a day with chance 500 * 86 400 * 2 / 10^12,
1 in 10 000. Wrong codes can then leave the codes alone and hold up nobody else."""
TRIES = 5
"""Wrong codes of one address in a row before it has to wait."""
PAUSE_S = 30.0
"""How long it has to wait then."""
MOST_ADDRESSES = 1000
"""Addresses whose wrong codes are remembered."""
MOST_DEVICES = 50
"""Paired devices; one more takes the place of the one that was paired first."""


def _hash(key: str) -> str:
    return hashlib.sha256(key.encode()).hexdigest()


def _keep_newest(kept: dict[str, Any], most: int) -> None:
    while len(kept) > most:
        del kept[next(iter(kept))]


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
    _wrong: dict[str, tuple[int, float]] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def __post_init__(self) -> None:
        if self.paired_only:
            self._renew(*ROLES)

    def _renew(self, *roles: Role) -> None:
        for role in roles:
            self._codes[role] = f"{secrets.randbelow(10**CODE_DIGITS):0{CODE_DIGITS}d}"
            self.tell(role, self._codes[role])

    def must_wait(self, address: str) -> bool:
        """Whether an address gave so many wrong codes that it has to wait; others have not."""
        n, last = self._wrong.get(address, (0, 0.0))
        return n >= TRIES and self.clock() < last + PAUSE_S

    def pair(self, code: str, address: str) -> str | None:
        """A key for a device that knows a code, else None; a code is good for one device."""
        digits = "".join(c for c in code if c in "0123456789")
        with self._lock:
            if self.must_wait(address):
                return None
            for role, known in self._codes.items():
                if hmac.compare_digest(digits, known):
                    key = secrets.token_urlsafe(32)
                    self._keys[_hash(key)] = role
                    _keep_newest(self._keys, MOST_DEVICES)
                    self._wrong.pop(address, None)
                    self._renew(role)
                    return key
            n, last = self._wrong.pop(address, (0, 0.0))
            still = self.clock() < last + PAUSE_S
            self._wrong[address] = ((n if still else 0) + 1, self.clock())
            _keep_newest(self._wrong, MOST_ADDRESSES)
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
