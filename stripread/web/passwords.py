"""Password hashing with Argon2id (RFC 9106); few hashes run at a time, because each takes 64 MiB."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from threading import BoundedSemaphore
from typing import Final

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from shared.errors import InputError
from stripread.web.refusals import HTTPRefusal

#: NIST SP 800-63B, 5.1.1.2, and OWASP ASVS 5.0, 6.2: length limits, no composition rules.
SHORTEST, LONGEST = 12, 128
AT_ONCE: Final = 2
PATIENCE_S: Final = 10.0


class Passwords:
    """Creates and verifies hashes."""

    def __init__(self, hasher: PasswordHasher | None = None) -> None:
        self._hasher = hasher or PasswordHasher()
        self._turns = BoundedSemaphore(AT_ONCE)
        self._unmatched = self._hasher.hash("no account")

    def hash(self, password: str) -> str:
        """Return a hash with its salt and parameters. Raises InputError for a password of invalid length."""
        if not SHORTEST <= len(password) <= LONGEST:
            raise InputError("the password has the wrong length", where="password", found=f"{len(password)} characters",
                             allowed=f"{SHORTEST} to {LONGEST} characters",
                             remedy="use several words; they are easy to remember")
        with self._turn():
            return self._hasher.hash(password)

    def right(self, password: str, hash_: str | None) -> bool:
        """Return whether the password matches the hash; None takes the same time and never matches."""
        with self._turn():
            try:
                self._hasher.verify(hash_ or self._unmatched, password)
            except (VerificationError, InvalidHashError):
                return False
        return hash_ is not None

    @contextmanager
    def _turn(self) -> Iterator[None]:
        if not self._turns.acquire(timeout=PATIENCE_S):
            raise HTTPRefusal(503, "busy")
        try:
            yield
        finally:
            self._turns.release()
