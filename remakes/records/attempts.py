"""How many wrong passwords may be tried, from where: counted in the store, so that all browsers are counted together.

The rule, here and nowhere else. Within a quarter of an hour,

- five wrong passwords for one code from one address: that address waits, for that code;
- thirty wrong passwords from one address, for whatever codes: that address waits, for every code;
- twenty-five wrong passwords for one code, from all addresses together: everybody waits, for that code.

So whoever guesses at one machine shuts out nobody who types the right password at another, and can try neither many
passwords nor many codes. A right password starts the first count anew, and neither of the others: who guesses may have
an account too. Asking again while one waits makes the wait no longer. The present password that is asked for before a
new one is chosen is counted like any other.

An address is the machine that asks; of the long kind (IPv6) it is the network of 2**64 addresses that one machine may
choose from. It is kept as a keyed hash, with a new key at each start of the program.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import secrets
from datetime import datetime, timedelta
from math import ceil
from typing import Any, Final

from sqlalchemy import ColumnElement, Connection, select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.person_rows import person_of
from remakes.records.typed_text import LONGEST_CODE
from remakes.texts import tn

__all__ = [
    "MOST_FAILURES",
    "MOST_FAILURES_OF_ADDRESS",
    "MOST_FAILURES_OF_CODE",
    "WINDOW",
    "SignInError",
    "TooManyAttemptsError",
    "begin_attempt",
    "note_success",
]

#: Wrong passwords within this time: for one code from one address, from one address, for one code.
MOST_FAILURES: Final = 5
MOST_FAILURES_OF_ADDRESS: Final = 30
MOST_FAILURES_OF_CODE: Final = 25
WINDOW: Final = timedelta(minutes=15)
#: Attempts are of no use later.
_KEEP: Final = timedelta(days=90)
#: An unknown code may be a password typed into the wrong field, and an address tells of a person.
_KEY: Final = secrets.token_bytes(32)
#: What one machine may choose its addresses from.
_ONE_MACHINE: Final = 64

_ATTEMPTS: Final = schema.sign_in_attempts


class SignInError(EntryError):
    """Code and password do not belong together; which of them is wrong is not said."""


class TooManyAttemptsError(SignInError):
    """Too many wrong passwords: nobody is let in from there, or with that code, until some time has passed.

    Parameters
    ----------
    wait : timedelta
        How long.
    """

    def __init__(self, wait: timedelta) -> None:
        minutes = max(1, ceil(wait.total_seconds() / 60))
        super().__init__(
            tn(
                minutes,
                "Too many wrong attempts. Wait 1 minute, then try again.",
                "Too many wrong attempts. Wait {n} minutes, then try again.",
            )
        )
        self.minutes = minutes


def begin_attempt(connection: Connection, code: str, address: str, at: datetime) -> int:
    """Count an attempt as wrong until `note_success`: of many at once, none goes uncounted.

    Parameters
    ----------
    code : str
        As typed.
    address : str
        Of the machine that asks; blank where it is this one.
    at : datetime
        The present moment in UTC.

    Returns
    -------
    int
        The number of the attempt.

    Raises
    ------
    TooManyAttemptsError
        One of the limits is reached; the attempt is not counted.
    """
    connection.execute(_ATTEMPTS.delete().where(_ATTEMPTS.c.at < at - _KEEP))
    kept_code = code if person_of(connection, code) is not None else _hashed("code", code)
    kept_address = _hashed("address", _machine(address))
    of_code, of_address = _ATTEMPTS.c.code == kept_code, _ATTEMPTS.c.address == kept_address
    waits = (
        _wait(_failures(connection, at, of_code & of_address, since_success=True), MOST_FAILURES, at),
        _wait(_failures(connection, at, of_address), MOST_FAILURES_OF_ADDRESS, at),
        _wait(_failures(connection, at, of_code), MOST_FAILURES_OF_CODE, at),
    )
    if longest := max(waits):
        raise TooManyAttemptsError(longest)
    values = {"code": kept_code, "address": kept_address, "at": at, "succeeded": False}
    (number,) = connection.execute(_ATTEMPTS.insert().values(values)).inserted_primary_key or (0,)
    return int(number)


def note_success(connection: Connection, attempt: int) -> None:
    """The password of this attempt was right."""
    connection.execute(_ATTEMPTS.update().where(_ATTEMPTS.c.id == attempt).values(succeeded=True))


def _failures(
    connection: Connection, at: datetime, which: ColumnElement[bool], *, since_success: bool = False
) -> list[datetime]:
    """When attempts failed within the window, newest first; on demand only those since the last that succeeded."""
    # None of a far future: where the clock was set back, everybody would wait until it has caught up.
    within = which & (_ATTEMPTS.c.at > at - WINDOW) & (_ATTEMPTS.c.at < at + WINDOW)
    query: Any = select(_ATTEMPTS.c.at, _ATTEMPTS.c.succeeded).where(within)
    found: list[datetime] = []
    for when, succeeded in connection.execute(query.order_by(_ATTEMPTS.c.at.desc(), _ATTEMPTS.c.id.desc())):
        if succeeded and since_success:
            break
        if not succeeded:
            found.append(when)
    return found


def _wait(failures: list[datetime], most: int, at: datetime) -> timedelta:
    return failures[most - 1] + WINDOW - at if len(failures) >= most else timedelta()


def _machine(address: str) -> str:
    try:
        read = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(read, ipaddress.IPv6Address):
        if read.ipv4_mapped is None:
            return "" if read.is_loopback else str(ipaddress.ip_network((read, _ONE_MACHINE), strict=False))
        read = read.ipv4_mapped
    return "" if read.is_loopback else str(read)


def _hashed(kind: str, text: str) -> str:
    # A blank stands in front: no code holds one, so no person's count is touched.
    digest = hmac.new(_KEY, f"{kind} {text}".encode(errors="replace"), hashlib.sha256).hexdigest()
    return f" {kind} {digest[:LONGEST_CODE]}"
