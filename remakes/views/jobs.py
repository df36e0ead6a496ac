"""Long work beside the page: it goes on when the page is left, and is done once for all who ask."""

from __future__ import annotations

import os
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from threading import Lock
from typing import Any, Final, TypeVar, cast

import streamlit as st

from remakes.texts import later, t

__all__ = ["Job", "Latest", "Shelf", "Tell", "follow", "shelf"]

Result = TypeVar("Result")
Tell = Callable[[str, int, int], None]
Work = Callable[[Tell], Any]

_LOOK_AGAIN_S: Final = 0.15
_KEPT: Final = 16
#: How far work that nobody waits for stands back behind everything else on the machine. Far from the most, 19: the
#: interpreter lets one thread run at a time, and one that holds it while it waits for a core makes the pages wait.
_STANDS_BACK: Final = 3


class Job:
    """One piece of work in a thread of its own, and how far it is."""

    def __init__(self, pool: ThreadPoolExecutor, work: Work) -> None:
        self.seen: tuple[str, int, int] = (later("starting"), 0, 0)
        self.future: Future[Any] = pool.submit(work, self._tell)

    def _tell(self, what: str, done: int, total: int) -> None:
        self.seen = (what, done, total)

    @property
    def failed(self) -> bool:
        """It has ended without a result."""
        return self.future.done() and self.future.exception() is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Latest:
    """The newest result of a topic that can be had without waiting for another one.

    Attributes
    ----------
    job : Job
        Done, unless there is no result at all yet.
    version : int
        State of the records that it rests on.
    behind : bool
        The records have moved on since.
    """

    job: Job
    version: int
    behind: bool


class _Topic:
    """One question, whose answer changes with the records: the last answer, and the next one on its way."""

    def __init__(self) -> None:
        self.done: tuple[int, Job] | None = None
        self.next: tuple[int, Job] | None = None

    @property
    def under_way(self) -> bool:
        return self.next is not None and not self.next[1].future.done()

    def settled(self) -> bool:
        """Take the next answer for the last one where it is there; was it?"""
        if self.next is None or self.under_way or self.next[1].failed:
            return False
        self.done, self.next = self.next, None
        return True


class Shelf:
    """Results by key, the latest few kept; of what changes with the records the last one alone.

    What somebody waits for is done one at a time, so that the machine stays usable. What is only brought up to date
    has a thread of its own, which stands back: an import need not wait for it.
    """

    def __init__(self) -> None:
        self._asked_for = ThreadPoolExecutor(max_workers=1, thread_name_prefix="remakes-work")
        self._beside = ThreadPoolExecutor(max_workers=1, thread_name_prefix="remakes-beside", initializer=_stand_back)
        self._lock = Lock()
        self._jobs: OrderedDict[Hashable, tuple[Job, Hashable, int]] = OrderedDict()
        self._topics: OrderedDict[Hashable, _Topic] = OrderedDict()

    def job(self, key: Hashable, work: Work, *, topic: Hashable = None, version: int = 0) -> Job:
        """The job under this key, begun now unless it has been before; one that failed is begun anew.

        Parameters
        ----------
        key : hashable
        work : callable
        topic, version : hashable and int
            The answer that this one stands on: it goes when that one goes.
        """
        with self._lock:
            found = self._jobs.get(key)
            if found is None or found[0].failed:
                found = self._jobs[key] = (Job(self._asked_for, work), topic, version)
            self._jobs.move_to_end(key)
            while len(self._jobs) > _KEPT:
                self._jobs.popitem(last=False)
            return found[0]

    def holds(self, key: Hashable) -> bool:
        """Is there a result under this key, or one on its way?"""
        with self._lock:
            found = self._jobs.get(key)
            return found is not None and not found[0].failed

    def latest(self, topic: Hashable, version: int, work: Work, *, waiting: bool = True) -> Latest:
        """The newest result of a topic at once; where the records have moved on, the next is begun beside it.

        Parameters
        ----------
        topic : hashable
        version : int
            The state the records are in now.
        work : callable
            Gives the result of that state.
        waiting : bool
            Whether somebody waits for a first result.

        Notes
        -----
        Where the next result failed, its job is handed out once, so that the page says why; it is then tried anew.
        """
        with self._lock:
            known = self._topics.setdefault(topic, _Topic())
            self._topics.move_to_end(topic)
            while len(self._topics) > _KEPT:
                self._topics.popitem(last=False)
            self._settle(topic, known)
            if known.next and known.next[1].failed:
                (of, job), known.next = known.next, None
                if of == version:
                    return Latest(job=job, version=of, behind=False)
            if known.next is None and (known.done is None or known.done[0] != version):
                pool = self._asked_for if known.done is None and waiting else self._beside
                known.next = (version, Job(pool, work))
            of, job = cast("tuple[int, Job]", known.done or known.next)
            return Latest(job=job, version=of, behind=of != version)

    def newest(self, topic: Hashable) -> Job:
        """The job whose result will be the newest of a topic that has been asked for."""
        with self._lock:
            known = self._topics[topic]
            return cast("tuple[int, Job]", known.next or known.done)[1]

    def under_way(self, topic: Hashable) -> bool:
        """Is a newer result of this topic being worked out?"""
        with self._lock:
            known = self._topics.get(topic)
            return known is not None and known.under_way

    def _settle(self, topic: Hashable, known: _Topic) -> None:
        if known.settled() and known.done:
            version = known.done[0]
            for key in [key for key, (_job, of, at) in self._jobs.items() if of == topic and at != version]:
                del self._jobs[key]

    def once(self, work: Work) -> Job:
        """A job that is not kept, such as an import."""
        return Job(self._asked_for, work)


def _stand_back() -> None:
    """This thread gives way to all others, where the machine knows priorities of threads."""
    with suppress(AttributeError, OSError):
        os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), _STANDS_BACK)


@st.cache_resource(show_spinner=False)
def shelf() -> Shelf:
    """The one shelf of this server."""
    return Shelf()


def _so_far(label: str, what: str, done: int, total: int) -> str:
    # Work beside the page speaks English; what it said is said again to the reader.
    if not total:
        return t("{label}: {what}", label=label, what=t(what))
    return t("{label}: {what} {done:,} of {total:,}", label=label, what=t(what), done=done, total=total)


def follow(job: Job, label: str, kind: type[Result]) -> Result:
    """Show how far a job is until it is done; give its result, or raise what it raised."""
    if not job.future.done():
        bar = st.progress(0.0, text=label)
        while not job.future.done():
            what, done, total = job.seen
            bar.progress(min(done / total, 1.0) if total else 0.0, text=_so_far(label, what, done, total))
            time.sleep(_LOOK_AGAIN_S)
        bar.empty()
    return cast("Result", job.future.result())
