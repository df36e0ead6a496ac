"""Short safety reminders: one line under every page and report, and the usual cautions beside the steps they concern.

All of it common practice of the trade, no single source; the material's instructions and local codes
come first. Kept in English; ``t`` of `remakes.texts` says them in the reader's language.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from remakes.texts import later, t

__all__ = ["HARM", "NO_PATIENTS", "SAFETY_LINE", "usual_cautions"]

SAFETY_LINE: Final = later(
    "This tool ranks possible process factors for a dental laboratory. It is not clinical advice. Follow local codes, "
    "the material's instructions and safety data sheets; questions about a patient go to the licensed dentist. "
    "Stop and report suspected harm."
)

HARM: Final = later(
    "Somebody may have been hurt: call the dentist **the same day**. A loose bridge, a swallowed or inhaled part, a "
    "cut or a suspected allergy is for the dentist to judge, at once. Keep the piece as it came back, write down who "
    "was told and when, and let the quality person decide whether the authority has to be told."
)

NO_PATIENTS: Final = later(
    "No patient data belong in here: no names, no birthdays, no pictures of faces. Case numbers and pseudonyms only."
)

_DUST: Final = later(
    "Dust (blasting, grinding, polishing): closed cabinet and extraction at the source, wet or vacuum cleaning, "
    "a respirator that fits; no dry sweeping."
)
_AIR: Final = later("Compressed air and steam: eye protection, a guarded nozzle, never towards people.")
_MONOMER: Final = later(
    "Uncured monomer: do not touch it, wear gloves that the data sheet names, air the room, cure fully before grinding."
)
_LIGHT: Final = later("Curing light: orange filter, lid closed, interlock never bypassed.")
_TOOLS: Final = later("Rotating tools and hot metal: guards, eye protection, no loose sleeves.")

#: A part of a step's name, and the cautions that usually go with such work.
_BY_WORD: Final[tuple[tuple[str, tuple[str, ...]], ...]] = (
    ("blast", (_DUST, _AIR)),
    ("steam", (_AIR,)),
    ("bond", (_MONOMER, _AIR)),
    ("opaque", (_MONOMER, _LIGHT)),
    ("layer", (_MONOMER, _LIGHT)),
    ("cure", (_MONOMER, _LIGHT)),
    ("curing", (_MONOMER, _LIGHT)),
    ("finish", (_DUST, _TOOLS)),
    ("polish", (_DUST, _TOOLS)),
    ("framework", (_DUST, _TOOLS)),
    ("metal", (_DUST, _TOOLS)),
)


def usual_cautions(steps: Iterable[str]) -> tuple[str, ...]:
    """The usual cautions for working steps, each once; recognized by words in the steps' names."""
    names = [step.casefold() for step in steps]
    found = (caution for word, said in _BY_WORD if any(word in name for name in names) for caution in said)
    return tuple(dict.fromkeys(t(one) for one in found))
