"""How labs name their columns and write their codes: known words, to propose what a foreign list holds.

English, German and French, from memory of common headings and abbreviations; no source. A proposal is shown and
can be changed; nothing is taken because it stands here.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

__all__ = ["CODE_WORDS", "HEADINGS", "KNOWN_HEADINGS", "NO_WORDS", "YES_WORDS", "heading_key"]

#: Our column to headings, as `heading_key` writes them; more telling ones first.
HEADINGS: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        "restoration_id": (
            *("restorationid", "restoration", "job", "jobno", "jobnumber", "no", "number", "work", "workno", "ref"),
            *("auftrag", "auftragsnr", "auftragsnummer", "arbeit", "arbeitsnr", "nr", "nummer", "travail", "numero"),
        ),
        "case_id": ("caseid", "case", "caseno", "order", "orderno", "fall", "fallnr", "bestellung", "commande"),
        "clinic": ("clinic", "sender", "practice", "customer", "client", "kunde", "praxis", "cabinet"),
        "technician": ("technician", "tech", "who", "madeby", "techniker", "wer", "bearbeiter", "technicien"),
        "kind": ("kind", "type", "restorationtype", "product", "art", "arbeitsart", "typ", "genre"),
        "teeth": ("teeth", "tooth", "toothno", "units teeth", "zahn", "zahne", "zähne", "zahnnr", "dents", "dent"),
        "units": ("units", "unit", "span", "einheiten", "glieder", "anzahl", "elements", "éléments"),
        "framework": ("framework", "metal", "alloy", "substructure", "gerüst", "legierung", "armature"),
        "veneer": ("veneer", "veneering", "layer", "verblendung", "recouvrement"),
        "difficulty": ("difficulty", "difficulties", "remarks", "schwierigkeit", "besonderheit", "difficulté"),
        "received_on": ("receivedon", "received", "in", "eingang", "eingangsdatum", "reçu"),
        "due_on": ("dueon", "due", "duedate", "fällig", "termin", "échéance"),
        "delivered_on": (
            *("deliveredon", "delivered", "out", "sent", "shipped", "deliverydate", "ausgang", "geliefert"),
            *("lieferdatum", "auslieferung", "livré"),
        ),
        "remake_of": ("remakeof", "replaces", "ersatzfür", "neuanfertigungvon", "remplace"),
        "step": ("step", "workingstep", "schritt", "arbeitsschritt", "étape"),
        "reading": ("reading", "measure", "parameter", "messgröße", "merkmal", "mesure"),
        "value": ("value", "result", "wert", "messwert", "valeur"),
        "recorded_at": ("recordedat", "recorded", "day", "date", "time", "when", "tag", "datum", "zeit", "jour"),
        "operator": ("operator", "who", "technician", "wer", "bediener", "techniker", "opérateur"),
        "equipment": ("equipment", "machine", "device", "furnace", "gerät", "maschine", "ofen", "appareil"),
        "lot": ("lot", "lotno", "batch", "charge", "chargennr", "chargennummer"),
        "return_id": ("returnid", "returnno", "complaintno", "complaint", "reklamation", "reklamationsnr", "retour"),
        "reported_on": ("reportedon", "reported", "complaintdate", "gemeldet", "gemeldetam", "signalé"),
        "entered_on": ("enteredon", "entered", "erfasst", "erfasstam", "saisi"),
        "defect": ("defect", "fault", "reason", "problem", "fehler", "mangel", "grund", "défaut"),
        "primary": ("primary", "main", "maindefect", "hauptfehler", "principal"),
        "plane": ("plane", "breakran", "bruchfläche", "bruchebene"),
        "bare_metal_pct": ("baremetalpct", "baremetal", "metal%", "metall%", "metallfrei"),
        "found_at": ("foundat", "found", "where", "gefunden", "festgestellt", "trouvé"),
        "severity": ("severity", "grade", "schwere", "schweregrad", "gravité"),
        "harm": ("harm", "injury", "hurt", "verletzung", "schaden", "blessure"),
        "disposition": ("disposition", "done", "action", "maßnahme", "erledigung", "mesureprise"),
        "attributed_to": ("attributedto", "cause", "causedby", "ursache", "verursacher"),
        "judged_by": ("judgedby", "judge", "assessed", "beurteilt", "beurteiltvon", "prüfer"),
        "cost": ("cost", "costs", "kosten", "betrag", "coût"),
        "note": ("note", "notes", "text", "comment", "bemerkung", "anmerkung", "remarque"),
    }
)
#: Every known heading to the columns it can stand for.
KNOWN_HEADINGS: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        heading: tuple(column for column, headings in HEADINGS.items() if heading in headings)
        for headings in HEADINGS.values()
        for heading in headings
    }
)
#: Column to foreign word to our code.
CODE_WORDS: Final[Mapping[str, Mapping[str, str]]] = MappingProxyType(
    {
        "kind": MappingProxyType(
            {"k": "crown", "cr": "crown", "krone": "crown", "couronne": "crown", "crowns": "crown"}
            | {"br": "bridge", "brücke": "bridge", "bridges": "bridge", "pont": "bridge", "inl": "inlay"}
            | {"onl": "onlay", "ven": "veneer", "verblendschale": "veneer", "facette": "veneer"}
            | {"ik": "implant crown", "implantatkrone": "implant crown", "implant": "implant crown"}
            | {"ib": "implant bridge", "implantatbrücke": "implant bridge", "sonstiges": "other", "autre": "other"}
        ),
        "defect": MappingProxyType(
            {"chip": "chipping", "chipped": "chipping", "abplatzung": "chipping", "éclat": "chipping"}
            | {"debond": "debonding", "ablösung": "debonding", "décollement": "debonding", "loose": "loosening"}
            | {"gelockert": "loosening", "verfärbung": "discoloration", "shade": "shade_mismatch"}
            | {"colour": "shade_mismatch", "color": "shade_mismatch", "farbe": "shade_mismatch", "fit": "margin_fit"}
            | {"rand": "margin_fit", "randschluss": "margin_fit", "sitz": "seating", "kontakt": "contact"}
            | {"bite": "occlusion", "high": "occlusion", "okklusion": "occlusion", "porös": "porosity"}
            | {"porosität": "porosity", "gerüstbruch": "framework_fracture", "oberfläche": "surface"}
            | {"rough": "surface", "transportschaden": "transit", "sonstiges": "other", "autre": "other"}
        ),
        "plane": MappingProxyType({"am metall": "adhesive", "in der masse": "cohesive", "gemischt": "mixed"}),
        "found_at": MappingProxyType(
            {"lab": "before_delivery", "in the lab": "before_delivery", "labor": "before_delivery"}
            | {"try-in": "try_in", "try in": "try_in", "einprobe": "try_in", "fitting": "delivery"}
            | {"eingliederung": "delivery", "patient": "in_service", "in use": "in_service", "im mund": "in_service"}
        ),
        "severity": MappingProxyType(
            {"none": "1", "polish": "2", "adjust": "3", "repair": "4", "remake": "5", "keine": "1", "polieren": "2"}
            | {"anpassen": "3", "reparatur": "4", "neu": "5", "neuanfertigung": "5"}
        ),
        "disposition": MappingProxyType(
            {"angepasst": "adjusted", "adjust": "adjusted", "repariert": "repaired", "repair": "repaired"}
            | {"neu": "remade", "remake": "remade", "neuanfertigung": "remade", "gutschrift": "credited"}
            | {"credit": "credited", "keine": "none"}
        ),
        "attributed_to": MappingProxyType(
            {"labor": "lab", "us": "lab", "praxis": "clinic", "dentist": "clinic", "patient": "patient"}
            | {"versand": "transport", "courier": "transport", "werkstoff": "material", "offen": "undecided"}
            | {"open": "undecided", "unklar": "undecided"}
        ),
    }
)
YES_WORDS: Final = frozenset({"yes", "y", "x", "ok", "ja", "j", "oui", "o", "true", "wahr", "1", "✓", "✔", "done"})
#: A dash is not among them: it can mean "not done" as well as "not recorded", so it is asked about.
NO_WORDS: Final = frozenset({"no", "n", "nein", "non", "false", "falsch", "0", "✗", "✘", "nok"})


def heading_key(name: str) -> str:
    """A heading as it is compared: without capitals, blanks, dots, hyphens and underscores."""
    return "".join(letter for letter in name.casefold() if letter.isalnum() or letter == "%")
