"""A report as a file, in the form its name asks for."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Final

from remakes import words
from remakes.errors import InputError
from remakes.reports.document import Report
from remakes.texts import t

__all__ = ["FORMS", "make", "refuse_place", "write_report"]


def _pdf(report: Report) -> bytes:
    from remakes.reports.pdf import to_pdf

    return to_pdf(report)


def _html(report: Report) -> bytes:
    from remakes.reports.html import to_html

    return to_html(report).encode("utf-8")


def _xlsx(report: Report) -> bytes:
    from remakes.reports.xlsx import to_xlsx

    return to_xlsx(report)


#: Ending of a file's name, and what writes it.
FORMS: Final[Mapping[str, Callable[[Report], bytes]]] = MappingProxyType({"pdf": _pdf, "html": _html, "xlsx": _xlsx})


def make(report: Report, form: str) -> bytes:
    """A report as the content of a file.

    Raises
    ------
    InputError
        There is no such form.
    """
    _refuse_form(form)
    return FORMS[form](report)


def refuse_place(path: Path) -> None:
    """Say what speaks against a name for a report, before anything is worked out for it.

    Raises
    ------
    InputError
        The ending is unknown, the name is a folder's, or its folder does not exist.
    """
    if path.is_dir():
        raise InputError(
            t(
                "{path} is a folder. Give the name of a file in it, such as {path_2}.",
                path=path,
                path_2=path / "report.pdf",
            )
        )
    if not path.parent.is_dir():
        raise InputError(
            t("The folder {parent} does not exist. Make it first, or give another place.", parent=path.parent)
        )
    _refuse_form(_form(path))


def _form(path: Path) -> str:
    return path.suffix.lower().removeprefix(".")


def _refuse_form(form: str) -> None:
    if form not in FORMS:
        known = words.listed((f".{one}" for one in FORMS), joint="or")
        raise InputError(
            t(
                "A report cannot be written as {form!r}. Name it {known}.",
                form=form or t("a file without an ending"),
                known=known,
            )
        )


def write_report(report: Report, path: Path) -> None:
    """Write a report as PDF, HTML or XLSX, by the ending of its name; an older file of that name is replaced at once.

    The file is made beside its place and then given its name, so that nobody ever opens half a report.

    Raises
    ------
    InputError
        The ending is unknown, the name is a folder's, or the place cannot be written to.
    """
    refuse_place(path)
    content = make(report, _form(path))
    try:
        _replace(path, content)
    except OSError as error:
        raise InputError(
            t(
                "The report cannot be written to {path} ({reason}). Close it where it is open, or give another place.",
                path=path,
                reason=error.strerror or error,
            )
        ) from error


def _replace(path: Path, content: bytes) -> None:
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        # "x": never through a file or link that somebody else put there.
        with part.open("xb") as file:
            file.write(content)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
