"""The command line as a newcomer meets it: files in, findings out, and every refusal in words."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from remakes import flow
from remakes.cli import app, main
from remakes.errors import InputError
from remakes.evidence.grades import GRADES
from remakes.records.backups import last_copy
from remakes.records.demo_lab import demo_files
from remakes.records.snapshot import take_snapshot
from remakes.records.store import Store, open_store
from tests.shared_labs import analysis_of, clear_lab, large_lab, months_of

runner = CliRunner()


def run(*args: str, expect: int = 0) -> str:
    """Run in this process; standard output on success."""
    done = runner.invoke(app, list(args))
    if done.exception and not isinstance(done.exception, SystemExit):
        raise done.exception
    assert done.exit_code == expect, done.output
    return done.stdout


@dataclass(frozen=True)
class Ended:
    """How a whole run of the program ended."""

    code: int
    out: str
    err: str


@pytest.fixture
def whole_run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., Ended]:
    """Run the program from its arguments to its exit, refusals included, without a process of its own."""

    def run_whole(*args: str) -> Ended:
        monkeypatch.setattr(sys, "argv", ["remakes", *args])
        capsys.readouterr()
        with pytest.raises(SystemExit) as stopped:
            main()
        said = capsys.readouterr()
        return Ended(code=int(stopped.value.code or 0), out=said.out, err=said.err)

    return run_whole


def once(work: Callable[..., Any]) -> Callable[..., Any]:
    """The first result again, whatever is asked."""
    kept: list[Any] = []

    def result(*args: Any, **kwargs: Any) -> Any:
        if not kept:
            kept.append(work(*args, **kwargs))
        return kept[0]

    return result


def ready(result: Any, database: str) -> Callable[..., Any]:
    """Stands for work that has been done already, on these records."""

    def given(store: Store, **_kwargs: Any) -> Any:
        assert store.url.endswith(database)
        return result

    return given


@pytest.fixture(scope="module")
def database(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A lab with all that findings can say; nothing may be written to it."""
    return str(large_lab(tmp_path_factory))


@pytest.fixture(scope="module")
def analysis(database: str, tmp_path_factory: pytest.TempPathFactory) -> flow.Analysis:
    """The analysis of these records, worked out once."""
    return analysis_of(tmp_path_factory, Path(database))


@pytest.fixture(scope="module")
def findings(analysis: flow.Analysis) -> dict[str, Any]:
    """The same as written to a file."""
    result: dict[str, Any] = json.loads(json.dumps(analysis.as_json()))
    return result


@pytest.fixture(scope="module")
def months(database: str) -> flow.Months:
    """The months of these records, counted once."""
    return months_of(Path(database))


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The lists of a lab that is analyzed in a second: two requirements, gaps, a defect that neither may cause."""
    clear, lists = clear_lab(tmp_path_factory).parent, tmp_path_factory.mktemp("lists")
    for name in ("restorations.csv", "standard.toml", "actions.toml"):
        shutil.copyfile(clear / name, lists / name)
    log = (clear / "process_log.csv").read_text().splitlines()
    (lists / "process_log.csv").write_text("\n".join(log[:1] + [row for n, row in enumerate(log[1:]) if n % 13]))
    header, *returns = (clear / "returns.csv").read_text().splitlines()
    every = [row.replace("debonding", "surface") if n % 4 == 0 else row for n, row in enumerate(returns)]
    (lists / "returns.csv").write_text("\n".join([header, *every]))
    return lists


@pytest.fixture(scope="module")
def clear(files: Path, tmp_path_factory: pytest.TempPathFactory) -> str:
    """That lab as the command brings it in."""
    path = str(tmp_path_factory.mktemp("db") / "clear.sqlite")
    run("import", str(files), "--db", path, "--observed-until", "2026-10-31")
    return path


@pytest.fixture(scope="module")
def clear_findings(clear: str) -> dict[str, Any]:
    """Its findings, by the command from beginning to end."""
    result: dict[str, Any] = json.loads(run("analyze", "--db", clear, "--json", "-"))
    return result


def test_every_command_has_help_with_an_example() -> None:
    text = run("--help")
    for command in ("import", "imports", "analyze", "trend", "report", "export", "backup", "check", "app", "demo"):
        assert command in text
        assert "Example:" in run(command, "--help")


def test_the_same_files_again_change_nothing(files: Path, clear: str) -> None:
    before = take_snapshot(open_store(clear))
    text = run("import", str(files), "--db", clear, "--observed-until", "2026-10-31")
    assert text.count(": 0 taken") == 5
    assert "0 refused" in text
    after = take_snapshot(open_store(clear))
    assert after.observed_until == before.observed_until
    assert after.standard == before.standard
    for name in ("restorations", "process_log", "returns"):
        assert getattr(after, name).equals(getattr(before, name))


def test_findings_have_every_field_of_the_format(findings: dict[str, Any]) -> None:
    assert findings["format"] == 1
    data = findings["data"]
    assert {"restorations", "returns", "observed_until", "horizon_months"} <= set(data)
    assert data["observed_until"] == "2026-10-31"
    assert data["horizon_months"] == 12
    assert data["restorations"] >= 900
    pairs = [(one["factor"], one["defect"]) for one in findings["findings"]]
    assert len(pairs) == len(set(pairs)) == 20 * len(data["defects"])
    for one in findings["findings"]:
        counts = ("met", "missed", "not_recorded", "returns_met", "returns_missed", "returns_not_recorded")
        assert all(isinstance(one[name], int) for name in counts)
        assert one["returns_missed"] <= one["missed"]
        assert one["grade"] in GRADES
        for name in ("odds_ratio", "crude_odds_ratio", "avoidable_returns"):
            assert {"estimate", "low", "high"} <= set(one[name])
        if one["odds_ratio"]["estimate"] is None:
            assert one["p"] is None
            assert one["cautions"]
        else:
            assert one["odds_ratio"]["low"] <= one["odds_ratio"]["estimate"]
            assert 0 <= one["p"] <= one["q"] <= 1
            assert one["p"] <= one["q_all_pairs_alike"] <= 1
            assert 0 <= one["risk_met"] <= 1
    for rank, one in enumerate(findings["actions"], start=1):
        assert one["rank"] == rank
        assert 0 <= one["probability_worthwhile"] <= 1
        for name in ("avoided_returns_per_month", "net_value_per_month"):
            assert one[name]["low"] - 1e-9 <= one[name]["estimate"] <= one[name]["high"] + 1e-9


def test_findings_come_in_order_of_evidence(findings: dict[str, Any]) -> None:
    grades = [GRADES.index(one["grade"]) for one in findings["findings"]]
    assert grades == sorted(grades)


def test_a_closer_look_pairs_and_weights_can_be_asked_for(
    clear: str, clear_findings: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    # Worked out once, shown twice.
    for name in ("analyze", "closer_looks", "interactions"):
        monkeypatch.setattr(flow, name, once(getattr(flow, name)))
    more = json.loads(run("analyze", "--db", clear, "--json", "-", "--closer", "--together", "--plausible-weight", "1"))
    told = [one for one in more["findings"] if one["plausible"] and one["grade"] in ("strong", "moderate", "weak")]
    assert [(one["factor"], one["defect"]) for one in more["closer"]] == [(o["factor"], o["defect"]) for o in told]
    assert told
    assert all(one["checks"]["not_recorded"]["imputed"] for one in more["closer"])
    together = more["together"]
    assert together["plausible"] >= len(together["tested"]) + together["too_few"]
    # All pairs alike: both false discovery rates are the same.
    assert all(one["q"] == pytest.approx(one["q_all_pairs_alike"]) for one in more["findings"] if one["q"] is not None)
    assert any(one["q"] != one["q_all_pairs_alike"] for one in clear_findings["findings"])
    text = run("analyze", "--db", clear, "--closer", "--together", "--plausible-weight", "1")
    assert "Whichever technician is left out" in text
    assert "were tested" in text


def test_a_weight_out_of_range_is_refused(database: str) -> None:
    with pytest.raises(InputError, match=r"Give 0\.01 to 1000"):
        run("analyze", "--db", database, "--plausible-weight", "0")


def test_a_person_reads_a_table(database: str, analysis: flow.Analysis, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(flow, "analyze", ready(analysis, database))
    text = run("analyze", "--db", database)
    assert "restorations" in text
    assert "An estimate from records" in text


def test_a_finding_file_and_standard_output_are_the_same(
    database: str, analysis: flow.Analysis, findings: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(flow, "analyze", ready(analysis, database))
    target = tmp_path / "findings.json"
    assert run("analyze", "--db", database, "--json", str(target)) == ""
    assert json.loads(target.read_text(encoding="utf-8")) == findings
    assert json.loads(run("analyze", "--db", database, "--json", "-")) == findings


def test_exported_records_give_the_same_findings(clear: str, clear_findings: dict[str, Any], tmp_path: Path) -> None:
    run("export", "--db", clear, "--to", str(tmp_path / "plain"))
    assert json.loads(run("analyze", "--from", str(tmp_path / "plain"), "--json", "-")) == clear_findings
    run("export", "--db", clear, "--to", str(tmp_path / "coded"), "--codes")
    coded = json.loads(run("analyze", "--from", str(tmp_path / "coded"), "--json", "-"))
    for one, other in zip(coded["findings"], clear_findings["findings"], strict=True):
        assert one["factor"] == other["factor"]
        assert one["missed"] == other["missed"]
        assert one["crude_odds_ratio"] == other["crude_odds_ratio"]


def test_a_horizon_changes_risks_and_not_odds(clear: str, clear_findings: dict[str, Any]) -> None:
    short = json.loads(run("analyze", "--db", clear, "--json", "-", "--horizon", "3"))
    one, other = short["findings"][0], clear_findings["findings"][0]
    assert one["odds_ratio"] == other["odds_ratio"]
    assert one["risk_missed"] < other["risk_missed"]


def test_months_are_told_and_written_as_json(
    database: str, months: flow.Months, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(flow, "count_months", ready(months, database))
    said = run("trend", "--db", database)
    assert "still to be entered" in said
    assert "three months before" in said
    file = tmp_path / "months.json"
    assert run("trend", "--db", database, "--json", str(file)) == ""
    whole = json.loads(file.read_text(encoding="utf-8"))
    assert whole["format"] == 1
    assert {"by_report_month", "by_delivery_month", "lots_and_machines", "what_changed"} <= set(whole)
    assert whole["by_report_month"][-1]["month"] == "2026-10"


@pytest.mark.parametrize(("ending", "begins"), [("pdf", b"%PDF-"), ("html", b"<!doctype html"), ("xlsx", b"PK")])
def test_the_monthly_report_is_written(
    ending: str, begins: bytes, database: str, months: flow.Months, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(flow, "count_months", ready(months, database))
    file = tmp_path / f"september.{ending}"
    assert "2026-09" in run("report", "--db", database, "--month", "2026-09", "--out", str(file))
    assert file.read_bytes()[: len(begins)].lower() == begins.lower()


def test_the_monthly_report_speaks_the_language_of_its_reader(
    database: str, months: flow.Months, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(flow, "count_months", ready(months, database))
    file = tmp_path / "september.html"
    told = run("report", "--db", database, "--month", "2026-09", "--out", str(file), "--language", "de")
    # The command itself goes on in English.
    assert "The report of 2026-09" in told
    assert "Monatsrückblick: September 2026" in file.read_text("utf-8")


def test_an_unknown_language_of_a_report_is_refused_before_anything_is_counted(database: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="Name one of: en, de"):
        run("report", "--db", database, "--out", str(tmp_path / "a.pdf"), "--language", "fr")


def test_batches_are_listed_and_one_is_taken_back(files: Path, tmp_path: Path) -> None:
    path = str(tmp_path / "lab.sqlite")
    run("import", str(files), "--db", path)
    text = run("imports", "--db", path)
    assert "returns.csv" in text
    assert "in force" in text
    assert "taken back" in run("imports", "--db", path, "--undo", "5")
    assert "taken back" in run("imports", "--db", path)


def test_files_of_photos_that_no_return_names_are_told_first_and_removed_on_request(database: str) -> None:
    folder = Path(f"{database}.photos")
    folder.mkdir()
    (folder / "stray.jpg").write_bytes(b"left by a crash")
    os.utime(folder / "stray.jpg", (0, 0))
    assert "stray.jpg" in run("sweep-photos", "--db", database)
    assert (folder / "stray.jpg").exists()
    assert "Files removed: 1." in run("sweep-photos", "--db", database, "--remove")
    assert not (folder / "stray.jpg").exists()
    folder.rmdir()


def test_backup_and_check(clear: str, tmp_path: Path) -> None:
    copy = tmp_path / "copy.sqlite"
    run("backup", "--db", clear, "--to", str(copy))
    store = open_store(clear)
    last, records = last_copy(store), take_snapshot(store)
    store.close()
    assert last is not None
    assert last.to == str(copy)
    assert "sound" in run("check", "--db", str(copy))
    # The same records give the same findings; they are not worked out again.
    copied_store = open_store(str(copy), create=False)
    assert take_snapshot(copied_store) == records
    copied_store.close()


@pytest.mark.parametrize(
    ("args", "code", "words"),
    [
        (["analyze", "--db", "{tmp}/none.sqlite"], 1, "There are no records at"),
        (["analyze", "--db", "{db}", "--horizon", "0"], 1, "Give 1 to 60 months"),
        (["analyze", "--from", "{tmp}"], 1, "is no folder of exported records"),
        (["analyze", "--nonsense"], 2, "No such option"),
        (["import", "--db", "{tmp}/new.sqlite", "{tmp}/missing.csv"], 1, "missing.csv"),
        (["import"], 2, "Missing argument"),
        (["backup", "--db", "{db}", "--to", "{db}"], 1, "exists"),
        (["imports", "--db", "{db}", "--undo", "99"], 1, "99"),
        (["analyze", "--db", "{tmp}/sub/none.sqlite"], 1, "does not exist"),
        (["trend", "--db", "{tmp}/none.sqlite"], 1, "There are no records at"),
        (["report", "--db", "{db}", "--out", "{tmp}/report.doc"], 1, "Name it .pdf, .html or .xlsx"),
        (["report", "--db", "{db}", "--out", "{tmp}/none/report.pdf"], 1, "does not exist"),
        (["analyze", "--db", "{db}", "--json", "{tmp}/no/such/folder.json"], 1, "cannot be written"),
    ],
)
def test_refusals_are_sentences(
    args: list[str], code: int, words: str, database: str, tmp_path: Path, whole_run: Callable[..., Ended]
) -> None:
    done = whole_run(*(arg.format(tmp=tmp_path, db=database) for arg in args))
    assert done.code == code, done.err
    assert words in done.err
    assert "Traceback" not in done.err
    assert done.out == ""


def test_a_month_that_is_not_in_the_records_is_refused(
    database: str,
    months: flow.Months,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    whole_run: Callable[..., Ended],
) -> None:
    monkeypatch.setattr(flow, "count_months", ready(months, database))
    done = whole_run("report", "--db", database, "--month", "2019-01", "--out", str(tmp_path / "report.pdf"))
    assert done.code == 1
    assert "name one of these" in done.err
    assert done.out == ""


def test_a_refusal_ends_a_process_of_its_own_without_a_traceback(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "remakes.cli", "analyze", "--db", str(tmp_path / "none.sqlite")]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 1
    assert "There are no records at" in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""


def test_an_empty_store_says_what_to_do(tmp_path: Path, whole_run: Callable[..., Ended]) -> None:
    path = str(tmp_path / "empty.sqlite")
    open_store(path).close()
    done = whole_run("analyze", "--db", path)
    assert done.code == 1
    assert "remakes import" in done.err
    assert "remakes demo" in done.err
    assert "Nothing has been imported yet" in run("imports", "--db", path)


def test_a_refused_row_refuses_the_file_and_is_named(
    files: Path, tmp_path: Path, whole_run: Callable[..., Ended]
) -> None:
    returns = (files / "returns.csv").read_text(encoding="utf-8").splitlines()
    header = returns[0].split(",")
    broken = returns[1].split(",")
    broken[header.index("defect")] = "chiping"
    folder = tmp_path / "in"
    folder.mkdir()
    for name in ("restorations.csv", "standard.toml"):
        (folder / name).write_bytes((files / name).read_bytes())
    (folder / "returns.csv").write_text("\n".join([returns[0], ",".join(broken), *returns[2:5]]), encoding="utf-8")
    done = whole_run("import", str(folder), "--db", str(tmp_path / "lab.sqlite"))
    assert done.code == 1
    assert "returns.csv" in done.err
    assert "line 2" in done.err
    assert "defect" in done.err
    assert "chipping" in done.err
    assert "returns.csv (returns): 0 taken" in done.out
    assert "nothing saved" in done.out


def test_what_broke_inside_is_told_without_a_traceback(monkeypatch: pytest.MonkeyPatch, capsys: Any) -> None:
    from remakes.cli import commands

    def broken() -> None:
        raise ZeroDivisionError("1/0")

    monkeypatch.setattr(commands, "app", lambda **_kwargs: broken())
    monkeypatch.delenv("REMAKES_DEBUG", raising=False)
    with pytest.raises(SystemExit) as stopped:
        commands.main()
    assert stopped.value.code == 1
    assert "ZeroDivisionError" in capsys.readouterr().err


def test_the_help_page_imports_nothing_heavy() -> None:
    code = (
        "import sys; import remakes.cli; "
        "heavy = ('pandas', 'numpy', 'sqlalchemy', 'ibis', 'statsmodels', 'sklearn', 'streamlit'); "
        "print([m for m in heavy if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=dict(os.environ)
    )
    assert done.stdout.strip() == "[]"


def test_the_analysis_never_imports_what_it_does_not_need(clear: str) -> None:
    code = (
        "import sys; from remakes import flow; from remakes.records.store import open_store; "
        f"flow.analyze(open_store({clear!r})); "
        "print([m for m in ('statsmodels', 'sklearn', 'streamlit', 'alembic', 'scipy.stats') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_demo_lab_is_built_once(database: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # A shorter run of the generator that wrote the demo lab's own files.
    shorter = Path(database).parent / "files"
    assert {file.name for file in shorter.iterdir()} <= {file.name for file in demo_files().iterdir()}
    monkeypatch.setattr("remakes.records.demo_lab.demo_files", lambda: shorter)
    path = str(tmp_path / "demo.sqlite")
    run("demo", "--db", path, "--build-only")
    first = Path(path).stat().st_mtime_ns
    run("demo", "--db", path, "--build-only")
    assert Path(path).stat().st_mtime_ns == first
    text = run("imports", "--db", path)
    assert "restorations.csv" in text
