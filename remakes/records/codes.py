"""The codes the records may hold, each with the words a person reads. One place for all of them.

Recognition of defects: common practice in dental laboratories, no single source.
Tooth codes: ISO 3950 (see ``teeth``).
The words are English here; where they are shown, ``t`` of `remakes.texts` says them in the reader's language.
"""

from __future__ import annotations

from types import MappingProxyType

from remakes.texts import Said, later, t

__all__ = [
    "ATTRIBUTED_TO",
    "DEFECTS",
    "DISPOSITIONS",
    "EARLY_FOUND_AT",
    "FOUND_AT",
    "KINDS",
    "PLANES",
    "SEVERITIES",
    "defect_in_text",
]

DEFECTS = MappingProxyType(
    {
        "chipping": later("Chipping: part of the veneer broke off"),
        "debonding": later("Debonding: the veneer came off the framework"),
        "loosening": later("Loosening: the restoration came off the tooth"),
        "discoloration": later("Discoloration"),
        "show_through": later("Show-through: opaquer or metal shows"),
        "shade_mismatch": later("Shade mismatch"),
        "margin_fit": later("Margin fit: open, short or over-extended"),
        "seating": later("Seating: rocks or does not seat"),
        "contact": later("Proximal contact: open or tight"),
        "occlusion": later("Occlusion: high or out"),
        "pontic_contact": later("Pontic contact: pressure or gap"),
        "porosity": later("Porosity, voids or blisters"),
        "framework_fracture": later("Framework or connector fracture"),
        "surface": later("Surface: rough, dull or sticky"),
        "tissue_reaction": later("Tissue reaction reported"),
        "transit": later("Transit damage"),
        "other": later("Other or unknown"),
    }
)

#: Defects as they stand in the middle of a sentence.
_IN_TEXT = MappingProxyType(
    {
        "all": later("any defect"),
        "chipping": later("chipping"),
        "debonding": later("debonding"),
        "loosening": later("loosening"),
        "discoloration": later("discoloration"),
        "show_through": later("show through"),
        "shade_mismatch": later("shade mismatch"),
        "margin_fit": later("margin fit"),
        "seating": later("seating"),
        "contact": later("proximal contact"),
        "occlusion": later("occlusion"),
        "pontic_contact": later("pontic contact"),
        "porosity": later("porosity"),
        "framework_fracture": later("framework fracture"),
        "surface": later("surface"),
        "tissue_reaction": later("tissue reaction"),
        "transit": later("transit"),
        "other": later("other"),
    }
)

KINDS = ("crown", "bridge", "onlay", "inlay", "veneer", "implant crown", "implant bridge", "other")

PLANES = MappingProxyType(
    {
        "adhesive": later("Adhesive: along the framework or the opaquer"),
        "cohesive": later("Cohesive: inside the veneer"),
        "mixed": later("Mixed"),
    }
)

FOUND_AT = MappingProxyType(
    {
        "before_delivery": later("Before delivery, in the lab"),
        "try_in": later("At try-in"),
        "delivery": later("At delivery"),
        "in_service": later("In service"),
    }
)
#: Where a return belongs to the process up to delivery rather than to service.
EARLY_FOUND_AT = frozenset({"before_delivery", "try_in", "delivery"})

SEVERITIES = MappingProxyType(
    {1: later("None"), 2: later("Polish"), 3: later("Adjust"), 4: later("Repair"), 5: later("Remake")}
)

DISPOSITIONS = ("adjusted", "repaired", "remade", "credited", "none")

ATTRIBUTED_TO = ("lab", "clinic", "patient", "transport", "material", "undecided")


def defect_in_text(code: str) -> Said:
    """A defect in the middle of a sentence: `margin fit`; `all` is any defect."""
    return t(_IN_TEXT.get(code) or later(code.replace("_", " ")))
