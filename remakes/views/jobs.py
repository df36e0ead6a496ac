"""Long work beside the page: it goes on when the page is left, and is done once for all who ask."""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future, ThreadPoolExecutor
from threading import Lock
from typing import Any, Final, TypeVar, cast

import streamlit as st

__all__ = ["Job", "Shelf", "Tell", "follow", "shelf"]

Result = TypeVar("Result")
Tell = Callable[[str, int, int], None]

_LOOK_AGAIN_S: Final = 0.15
_KEPT: Final = 16


class Job:
    """One piece of work in a thread of its own, and how far it is."""

    def __init__(self, pool: ThreadPoolExecutor, work: Callable[[Tell], Any]) -> None:
        self.seen: tuple[str, int, int] = ("starting", 0, 0)
        self.future: Future[Any] = pool.submit(work, self._tell)

    def _tell(self, what: str, done: int, total: int) -> None:
        self.seen = (what, done, total)


class Shelf:
    """Results by key, the latest few kept. One thing is worked on at a time, so that the machine stays usable."""

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="remakes-work")
        self._lock = Lock()
        self._jobs: OrderedDict[Hashable, Job] = OrderedDict()

    def job(self, key: Hashable, work: Callable[[Tell], Any]) -> Job:
        """The job under this key, begun now unless it has been before; one that failed is begun anew."""
        with self._lock:
            job = self._jobs.get(key)
            if job is None or (job.future.done() and job.future.exception() is not None):
                job = self._jobs[key] = Job(self._pool, work)
            self._jobs.move_to_end(key)
            while len(self._jobs) > _KEPT:
                self._jobs.popitem(last=False)
            return job

    def holds(self, key: Hashable) -> bool:
        """Is there a result under this key, or one on its way?"""
        with self._lock:
            job = self._jobs.get(key)
            return job is not None and not (job.future.done() and job.future.exception() is not None)

    def once(self, work: Callable[[Tell], Any]) -> Job:
        """A job that is not kept, such as an import."""
        return Job(self._pool, work)


@st.cache_resource(show_spinner=False)
def shelf() -> Shelf:
    """The one shelf of this server."""
    return Shelf()


def follow(job: Job, label: str, kind: type[Result]) -> Result:
    """Show how far a job is until it is done; give its result, or raise what it raised."""
    if not job.future.done():
        bar = st.progress(0.0, text=label)
        while not job.future.done():
            what, done, total = job.seen
            count = f" {done:,} of {total:,}" if total else ""
            bar.progress(min(done / total, 1.0) if total else 0.0, text=f"{label}: {what}{count}")
            time.sleep(_LOOK_AGAIN_S)
        bar.empty()
    return cast("Result", job.future.result())
