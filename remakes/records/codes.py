"""The codes the records may hold, each with the words a person reads. One place for all of them.

Recognition of defects: common practice in dental laboratories, no single source.
Tooth codes: ISO 3950 (see ``teeth``).
"""

from __future__ import annotations

from types import MappingProxyType

__all__ = [
    "ATTRIBUTED_TO",
    "DEFECTS",
    "DISPOSITIONS",
    "EARLY_FOUND_AT",
    "FOUND_AT",
    "KINDS",
    "PLANES",
    "SEVERITIES",
]

DEFECTS = MappingProxyType(
    {
        "chipping": "Chipping: part of the veneer broke off",
        "debonding": "Debonding: the veneer came off the framework",
        "loosening": "Loosening: the restoration came off the tooth",
        "discoloration": "Discoloration",
        "show_through": "Show-through: opaquer or metal shows",
        "shade_mismatch": "Shade mismatch",
        "margin_fit": "Margin fit: open, short or over-extended",
        "seating": "Seating: rocks or does not seat",
        "contact": "Proximal contact: open or tight",
        "occlusion": "Occlusion: high or out",
        "pontic_contact": "Pontic contact: pressure or gap",
        "porosity": "Porosity, voids or blisters",
        "framework_fracture": "Framework or connector fracture",
        "surface": "Surface: rough, dull or sticky",
        "tissue_reaction": "Tissue reaction reported",
        "transit": "Transit damage",
        "other": "Other or unknown",
    }
)

KINDS = ("crown", "bridge", "onlay", "inlay", "veneer", "implant crown", "implant bridge", "other")

PLANES = MappingProxyType(
    {
        "adhesive": "Adhesive: along the metal or the opaquer",
        "cohesive": "Cohesive: inside the veneer",
        "mixed": "Mixed",
    }
)

FOUND_AT = MappingProxyType(
    {
        "before_delivery": "Before delivery, in the lab",
        "try_in": "At try-in",
        "delivery": "At delivery",
        "in_service": "In service",
    }
)
#: Where a return belongs to the process up to delivery rather than to service.
EARLY_FOUND_AT = frozenset({"before_delivery", "try_in", "delivery"})

SEVERITIES = MappingProxyType({1: "None", 2: "Polish", 3: "Adjust", 4: "Repair", 5: "Remake"})

DISPOSITIONS = ("adjusted", "repaired", "remade", "credited", "none")

ATTRIBUTED_TO = ("lab", "clinic", "patient", "transport", "material", "undecided")
