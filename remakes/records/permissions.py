"""Who may change what: asked where the records are written, whatever page or address the wish came from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal, get_args

from remakes.errors import NotAllowedError

__all__ = ["PERMISSIONS", "ROLES", "Actor", "Permission", "Role"]

Role = Literal["quality", "manager", "technician"]
ROLES: Final[tuple[Role, ...]] = get_args(Role)

Permission = Literal[
    "enter returns",
    "write at the bench",
    "import lists",
    "state the date",
    "change the standard",
    "change costs",
    "decide actions",
    "keep people",
    "sign in",
    "keep a draft",
]

_ALL: Final = frozenset(ROLES)
_QUALITY: Final[frozenset[Role]] = frozenset({"quality", "manager"})
_MANAGER: Final[frozenset[Role]] = frozenset({"manager"})

#: The roles that hold each permission.
PERMISSIONS: Final[Mapping[Permission, frozenset[Role]]] = MappingProxyType(
    {
        "enter returns": _QUALITY,
        "write at the bench": frozenset({"technician", "manager"}),
        "import lists": _QUALITY,
        "state the date": _QUALITY,
        "change the standard": _MANAGER,
        "change costs": _MANAGER,
        "decide actions": _MANAGER,
        "keep people": _MANAGER,
        "sign in": _ALL,
        "keep a draft": _ALL,
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Actor:
    """A person as the records know them: a pseudonymous code, and the roles they hold."""

    code: str
    roles: frozenset[Role]

    def refuse_unless(self, may: Permission) -> None:
        """Stop a change that none of this person's roles allows.

        Raises
        ------
        NotAllowedError
            None of the roles holds the permission.
        """
        if self.roles & PERMISSIONS[may]:
            return
        held = " and ".join(sorted(self.roles)) or "none"
        needed = " or ".join(sorted(PERMISSIONS[may]))
        raise NotAllowedError(
            f"{self.code} holds the role {held}; to {may}, the role {needed} is needed. Nothing was saved: "
            "ask somebody who has that role, or the manager to give it to you under People and set-up."
        )
