"""What is worth asking about each defect at the returned piece; the answers tell one kind of it from another.

Common practice in dental laboratories, no single source. English here; ``t`` of `remakes.texts` says it in the
reader's language.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from remakes.texts import later

__all__ = ["BROKEN", "DEFECT_QUESTIONS", "DefectQuestion", "may_be_metal", "question_of"]

#: The defects of which a break is looked at: where it ran, and how much metal lies bare.
BROKEN = ("chipping", "debonding")

#: Parts of words, in English and German, by which a framework is known to hold metal, and to hold none: there the
#: share of bare metal is nothing to ask for. Common practice, no single source.
_METAL = re.compile(
    r"metal|alloy|legierung|cobalt|kobalt|co-?cr|chrom|\bnem\b|nickel|titan|gold|palladium|platin|silver"
)
_NO_METAL = re.compile(
    r"^(?:none|no framework|kein|keine|keines|ohne.*|-)$|zircon|zirkon|zro2|ceramic|keramik|disili[ck]at|alumin"
    r"|\bpe[ek]k\b|fib(?:re|er)|faser|resin|composite|komposit|polymer|kunststoff|pmma"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class DefectQuestion:
    """One thing worth knowing about a defect, never compulsory.

    Attributes
    ----------
    name : str
        What the answer is kept under, among the further columns of the return.
    asks : str
        The question.
    answers : mapping
        Code to words.
    """

    name: str
    asks: str
    answers: Mapping[str, str]


def _question(name: str, asks: str, **answers: str) -> DefectQuestion:
    return DefectQuestion(name=name, asks=asks, answers=MappingProxyType(answers))


#: What tells one kind of a defect from another at the returned piece. Common practice, no single source.
DEFECT_QUESTIONS: Mapping[str, tuple[DefectQuestion, ...]] = MappingProxyType(
    {
        "discoloration": (
            _question(
                "removable_by_polishing",
                later("Does it go away by polishing?"),
                yes=later("Yes: it lies on the surface"),
                no=later("No: it lies inside"),
            ),
        ),
        "show_through": (
            _question(
                "shows", later("What shows?"), metal=later("Metal, greyish"), opaquer=later("Opaquer, chalky white")
            ),
        ),
        "shade_mismatch": (
            _question(
                "shade_differs_in",
                later("What does not match?"),
                value=later("Light or dark"),
                hue=later("Tint"),
                translucency=later("Translucency"),
            ),
        ),
        "margin_fit": (
            _question(
                "margin",
                later("The margin is"),
                gap=later("Open: a gap"),
                short=later("Too short"),
                over=later("Over-extended"),
            ),
            _question(
                "margin_seen_on",
                later("Seen on"),
                die=later("The die, too"),
                tooth=later("The tooth only: the die fits"),
            ),
        ),
        "loosening": (
            _question(
                "cement_is",
                later("Where is the cement?"),
                tooth=later("On the tooth"),
                restoration=later("In the restoration"),
                both=later("Both"),
            ),
        ),
        "contact": (_question("contact", later("The contact is"), open=later("Open"), tight=later("Too tight")),),
        "occlusion": (
            _question(
                "bite",
                later("The bite is"),
                high=later("Too high"),
                low=later("Too low"),
                interference=later("Disturbed in movement"),
            ),
        ),
        "seating": (
            _question("seats_on_model", later("Does it seat on the model?"), yes=later("Yes"), no=later("No")),
        ),
        "pontic_contact": (
            _question(
                "pontic",
                later("At the pontic"),
                pressure=later("Pressure"),
                gap=later("A gap"),
                rough=later("A rough base"),
            ),
        ),
        "porosity": (
            _question(
                "porous_in",
                later("Porous in"),
                veneer=later("The veneer"),
                opaquer=later("The opaquer"),
                metal=later("The metal"),
            ),
        ),
        "framework_fracture": (
            _question(
                "broke_at",
                later("Where did it break?"),
                connector=later("Connector"),
                retainer=later("Retainer"),
                solder=later("Solder joint"),
            ),
        ),
        "surface": (
            _question(
                "surface", later("The surface is"), rough=later("Rough"), dull=later("Dull"), sticky=later("Sticky")
            ),
        ),
    }
)

_BY_NAME: Mapping[str, DefectQuestion] = MappingProxyType(
    {one.name: one for asked in DEFECT_QUESTIONS.values() for one in asked}
)


def may_be_metal(framework: str | None) -> bool:
    """May metal lie bare where the veneer of this framework broke?

    Yes, unless the framework is known by its name to hold none (zirconia, other ceramics, polymers, no framework at
    all); what is not recorded or not known here may be metal.
    """
    name = (framework or "").strip().casefold()
    return bool(_METAL.search(name)) or not _NO_METAL.search(name)


def question_of(name: str) -> DefectQuestion | None:
    """The question whose answer is kept under this name; None for any other further column."""
    return _BY_NAME.get(name)
