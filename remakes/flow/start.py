"""What every chain starts with."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import TYPE_CHECKING

from remakes.errors import NothingToAnalyzeError
from remakes.texts import t

if TYPE_CHECKING:
    from remakes.records.snapshot import Snapshot

__all__ = ["Progress", "observed_until"]

#: What a long step reports: what is being done, how far it is, of how much (0: not known).
Progress = Callable[[str, int, int], None]


def observed_until(snapshot: Snapshot) -> date:
    """Up to which day returns are complete.

    Raises
    ------
    NothingToAnalyzeError
        The records are empty.
    """
    if snapshot.observed_until is None:
        raise NothingToAnalyzeError(
            t(
                "The records are empty. Bring in restorations, the process log, returns and the process standard with "
                "`remakes import FOLDER`, or look at the demo lab with `remakes demo`."
            )
        )
    return snapshot.observed_until
