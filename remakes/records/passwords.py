"""Passwords: what is asked of one, and keeping it as a hash that is costly to guess at."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from remakes.errors import EntryError
from remakes.texts import t

__all__ = ["HASHER", "LEAST_SIGNS", "LONGEST_PASSWORD", "hash_password", "is_password"]

#: Argon2id with the costs its library recommends; an older hash is made anew at the next sign-in.
HASHER: Final = PasswordHasher()
LEAST_SIGNS: Final = 10
#: Longer ones would only cost time.
LONGEST_PASSWORD: Final = 500


def hash_password(code: str, password: str, *, hasher: PasswordHasher = HASHER) -> str:
    """The hash to keep of a new password.

    Raises
    ------
    EntryError
        Shorter than ten signs, longer than 500, or the code itself.
    """
    if len(password) < LEAST_SIGNS:
        raise EntryError(
            t(
                "The password has {n} signs; at least {least} are needed. Several words in a row are easy to remember.",
                n=len(password),
                least=LEAST_SIGNS,
            )
        )
    if len(password) > LONGEST_PASSWORD:
        raise EntryError(t("The password has more than {most} signs. Choose a shorter one.", most=LONGEST_PASSWORD))
    if password.strip().casefold() == code.casefold():
        raise EntryError(t("The password is the code itself, which others know. Choose another."))
    return hasher.hash(password)


def is_password(kept: str | None, typed: str, *, hasher: PasswordHasher = HASHER) -> bool:
    """Is this the password behind a hash?

    Where there is none to compare with, as for a code that nobody has, the answer is no and takes as long.
    """
    # Made before it is known whether it is needed: the first unknown code takes no longer than a known one.
    nobodys = _nobodys(hasher)
    try:
        # Not worth the time: no kept password is as long.
        matches = hasher.verify(kept or nobodys, typed[: LONGEST_PASSWORD + 1])
    except (VerificationError, InvalidHashError):
        return False
    return matches and kept is not None


@lru_cache(maxsize=4)
def _nobodys(hasher: PasswordHasher) -> str:
    return hasher.hash("the password of nobody")
