"""What a page shows while the records move on: the last answer at once, a line that says so, then the new one."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from remakes import flow
from remakes.errors import NothingToAnalyzeError
from remakes.records.store import Store, open_store
from remakes.views import jobs, server, state
from tests.shared_labs import analysis_of
from tests.views.lab import open_page, texts

TOPIC = "analysis"


def done(result: object) -> jobs.Work:
    return lambda _tell: result


def held(gate: threading.Event, result: object) -> jobs.Work:
    def work(_tell: jobs.Tell) -> object:
        assert gate.wait(timeout=10)
        return result

    return work


def failing(_tell: jobs.Tell) -> object:
    raise NothingToAnalyzeError("nothing is left")


def first(shelf: jobs.Shelf, version: int = 1) -> None:
    assert shelf.latest(TOPIC, version, done("old")).job.future.result(timeout=5) == "old"


def test_the_last_answer_stands_while_the_next_is_made() -> None:
    shelf, gate = jobs.Shelf(), threading.Event()
    first(shelf)
    for version in (2, 3):
        last = shelf.latest(TOPIC, version, held(gate, "new"))
        assert (last.job.future.result(timeout=0), last.version, last.behind) == ("old", 1, True)
    assert shelf.under_way(TOPIC)
    gate.set()
    assert shelf.newest(TOPIC).future.result(timeout=5) == "new"
    assert not shelf.under_way(TOPIC)
    # One was worked out for two changes; that of the second is still to come.
    last = shelf.latest(TOPIC, 3, done("newest"))
    assert (last.job.future.result(timeout=0), last.version, last.behind) == ("new", 2, True)
    assert shelf.newest(TOPIC).future.result(timeout=5) == "newest"
    last = shelf.latest(TOPIC, 3, failing)
    assert (last.job.future.result(timeout=0), last.behind) == ("newest", False)


def test_what_stands_on_an_answer_goes_with_it() -> None:
    shelf = jobs.Shelf()
    first(shelf)
    assert shelf.job("choices", done(7), topic=TOPIC, version=1).future.result(timeout=5) == 7
    shelf.job("other", done(8), topic="months", version=1).future.result(timeout=5)
    shelf.latest(TOPIC, 2, done("new"))
    assert shelf.holds("choices")
    shelf.newest(TOPIC).future.result(timeout=5)
    shelf.latest(TOPIC, 2, done("new"))
    assert not shelf.holds("choices")
    assert shelf.holds("other")


def test_a_failure_is_told_once_and_then_tried_anew() -> None:
    shelf = jobs.Shelf()
    first(shelf)
    shelf.latest(TOPIC, 2, failing)
    with pytest.raises(NothingToAnalyzeError):
        shelf.newest(TOPIC).future.result(timeout=5)
    told = shelf.latest(TOPIC, 2, failing)
    assert not told.behind
    with pytest.raises(NothingToAnalyzeError):
        told.job.future.result(timeout=0)
    shelf.latest(TOPIC, 2, done("new"))
    assert shelf.newest(TOPIC).future.result(timeout=5) == "new"


def test_an_import_need_not_wait_for_what_is_brought_up_to_date() -> None:
    shelf, gate = jobs.Shelf(), threading.Event()
    first(shelf)
    shelf.latest(TOPIC, 2, held(gate, "new"))
    assert shelf.once(done("saved")).future.result(timeout=5) == "saved"
    gate.set()


@pytest.fixture
def ready(clear_lab_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Callable[[Store], flow.Analysis]:
    """The clear lab's analysis, as if it had been worked out from what a copy of it now holds."""
    result = analysis_of(tmp_path_factory, clear_lab_file)
    return lambda store: replace(result, records_version=store.figures_version())


@pytest.fixture
def gate(monkeypatch: pytest.MonkeyPatch, ready: Callable[[Store], flow.Analysis]) -> threading.Event:
    """Analyses after the first wait until this is set."""
    gate, seen = threading.Event(), list[int]()

    def waiting(store: Store, **_kwargs: object) -> flow.Analysis:
        if seen:
            assert gate.wait(timeout=30)
        seen.append(1)
        return ready(store)

    monkeypatch.setattr(flow, "analyze", waiting)
    return gate


def take_back_a_return(file: Path, number: int) -> None:
    """As if somebody took a return back: a change that figures rest on."""
    store = open_store(str(file))
    with store.writer(may="enter returns") as connection:
        store.note(connection, who="test", what="void", table="returns", key=str(number), detail={})
    store.close()


@pytest.mark.parametrize(("changes", "said"), [(1, "the latest change;"), (2, "the latest 2 changes;")])
def test_a_page_answers_at_once_and_says_that_it_is_behind(
    own_clear_lab: Path, gate: threading.Event, changes: int, said: str
) -> None:
    app = open_page("steps")
    assert "being brought up to date" not in texts(app)
    for number in range(changes):
        take_back_a_return(own_clear_lab, number)
    app.run()
    assert not app.exception
    assert said in texts(app)
    assert "From " in texts(app)
    gate.set()
    jobs.shelf().newest(("analysis", state.store().url, state.HORIZON)).future.result(timeout=60)
    app.run()
    assert "being brought up to date" not in texts(app)


def test_the_analysis_is_begun_before_anybody_asks(
    own_clear_lab: Path, monkeypatch: pytest.MonkeyPatch, counted: Callable[[], int]
) -> None:
    state.begin()
    topic = ("analysis", state.store().url, state.HORIZON)
    jobs.shelf().newest(topic).future.result(timeout=60)
    open_page("steps")
    assert counted() == 1


def test_the_analysis_waits_for_the_first_page_and_not_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    begun = threading.Event()
    monkeypatch.setattr(state, "begin", begun.set)
    monkeypatch.setattr(server, "_page_shown", threading.Event())
    monkeypatch.setattr(server, "_PATIENCE_S", 0)
    monkeypatch.setattr(server, "_FETCHING_S", 0)
    starting = threading.Thread(target=server._begin)
    starting.start()
    assert not begun.wait(0.3)
    server.page_shown()
    assert begun.wait(20)
    starting.join()
    # Nobody comes: it is begun all the same.
    begun.clear()
    monkeypatch.setattr(server, "_page_shown", threading.Event())
    monkeypatch.setattr(server, "_FIRST_PAGE_S", 0.01)
    server._begin()
    assert begun.is_set()


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch, ready: Callable[[Store], flow.Analysis]) -> Callable[[], int]:
    seen = list[int]()

    def counting(store: Store, **_kwargs: object) -> flow.Analysis:
        seen.append(1)
        return ready(store)

    monkeypatch.setattr(flow, "analyze", counting)
    return lambda: len(seen)


def test_nothing_is_begun_on_empty_records(empty_lab: Path, counted: Callable[[], int]) -> None:
    state.begin()
    assert counted() == 0
