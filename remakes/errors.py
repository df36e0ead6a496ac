"""The errors of the project, one small tree.

::

    RemakesError                 anything this program refuses, in words a user can act on
    ├── StoreError               the store cannot be opened, is damaged, or belongs to a newer version
    ├── NotAllowedError          the person's roles do not allow this change
    ├── InputError               a file or an entry is refused
    │   ├── FileError            a whole file cannot be read
    │   ├── MapError             a column map is wrong
    │   └── EntryError           one entry, typed by a person, is refused
    ├── ProcessStandardError     the process standard contradicts itself or is missing
    ├── TableError               a table of counts is impossible
    ├── FitError                 a model cannot be fitted to these counts
    └── NothingToAnalyzeError    the records hold no answer to the question

Every message says what was seen, what was needed, and what to do next. Domain errors are also
``ValueError`` so that callers outside the project can catch them by what they are.
"""

from __future__ import annotations

__all__ = [
    "EntryError",
    "FileError",
    "FitError",
    "InputError",
    "MapError",
    "NotAllowedError",
    "NothingToAnalyzeError",
    "ProcessStandardError",
    "RemakesError",
    "StoreError",
    "TableError",
]


class RemakesError(Exception):
    """Something this program refuses, in words a user can act on."""


class StoreError(RemakesError):
    """The store cannot be opened, is damaged, or was written by a newer version."""


class NotAllowedError(RemakesError):
    """The person's roles do not allow this change; nothing was saved."""


class InputError(RemakesError, ValueError):
    """Something handed in was refused; nothing was saved."""


class FileError(InputError):
    """A whole file cannot be read."""


class MapError(InputError):
    """A column map is wrong."""


class EntryError(InputError):
    """One entry, typed by a person, is refused."""


class ProcessStandardError(RemakesError, ValueError):
    """The process standard contradicts itself or is missing."""


class TableError(RemakesError, ValueError):
    """A table of counts is impossible."""


class FitError(RemakesError, ValueError):
    """A model cannot be fitted to these counts."""


class NothingToAnalyzeError(RemakesError):
    """The records hold no answer to the question yet."""
