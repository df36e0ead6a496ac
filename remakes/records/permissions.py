"""Who may change what: asked where the records are written, whatever page or address the wish came from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal, get_args

from remakes.errors import NotAllowedError
from remakes.texts import either, in_a_row, later, t

__all__ = ["PERMISSIONS", "ROLES", "Actor", "Permission", "Role"]

Role = Literal["quality", "manager", "technician"]
ROLES: Final[tuple[Role, ...]] = get_args(Role)

Permission = Literal[
    "enter returns",
    "deal with harm",
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
        "deal with harm": _QUALITY,
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


#: Roles and permissions as they stand in a sentence.
_WORDS: Final = MappingProxyType(
    {
        "quality": later("quality"),
        "manager": later("manager"),
        "technician": later("technician"),
        "enter returns": later("enter returns"),
        "deal with harm": later("deal with harm"),
        "write at the bench": later("write at the bench"),
        "import lists": later("import lists"),
        "state the date": later("state the date"),
        "change the standard": later("change the standard"),
        "change costs": later("change costs"),
        "decide actions": later("decide actions"),
        "keep people": later("keep people"),
        "sign in": later("sign in"),
        "keep a draft": later("keep a draft"),
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Actor:
    """A person as the records know them: a pseudonymous code, and the roles they hold.

    Attributes
    ----------
    session : str
        Hash of the token of the session they came in with, which must go on for as long as they write; blank: none.
    """

    code: str
    roles: frozenset[Role]
    session: str = ""

    def refuse_unless(self, may: Permission) -> None:
        """Stop a change that none of this person's roles allows.

        Raises
        ------
        NotAllowedError
            None of the roles holds the permission.
        """
        if self.roles & PERMISSIONS[may]:
            return
        held = in_a_row(t(_WORDS[one]) for one in sorted(self.roles)) if self.roles else t("none yet")
        needed = either(t(_WORDS[one]) for one in sorted(PERMISSIONS[may]))
        raise NotAllowedError(
            t(
                "{code} holds the role {held}; to {may}, the role {needed} is needed. Nothing was saved: ask "
                "somebody who has that role, or the manager to give it to you under People and set-up.",
                code=self.code,
                held=held,
                may=t(_WORDS[may]),
                needed=needed,
            )
        )
