"""What people write over a column, in several languages, and which of our columns it means.

Plain dictionary words of English, German, French, Spanish, Italian and Dutch. Besides these,
every column answers to its own name written in any way (``Off contact (mm)``), and a process
variable to the words of `learn.process`.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from dataclasses import dataclass
from functools import cache, lru_cache

from learn.process import SETTINGS
from pipelines.tables.schema import Table
from pipelines.tables.spectra import wavelength_nm

# Words of a column in whatever table it stands; "|" parts them.
_ANYWHERE = {
    "substrate_id": "garment|garment id|garment code|shirt|t-shirt|tee|textile|textil|cloth"
    "|substrate|card|kleidungsstück|ware|vêtement|tissu|prenda|capo|indumento|kledingstuk",
    "ink_id": "ink|ink id|ink code|ink no|ink number|top ink|druckfarbe|farbe|farbnummer|encre"
    "|tinta|inchiostro|inkt",
    "mesh_id": "mesh|screen|mesh id|screen id|screen mesh|top mesh|sieb|gewebe|siebgewebe|écran"
    "|malla|pantalla|tessuto|zeef",
    "film_um": "film|dry film|film thickness|ink film|layer|schichtdicke|farbschicht"
    "|épaisseur|espesor|spessore|laagdikte",
    "aliases": "alias|also called|also known as|other names|auch genannt|andere namen"
    "|autres noms|otros nombres|altri nomi|andere benamingen",
    "L": "L*|CIE L*|L* measured|measured L*|L value|lightness",
    "a": "a*|CIE a*|a* measured|measured a*|a value",
    "b": "b*|CIE b*|b* measured|measured b*|b value",
}
_PROCESS = {
    "printed_on": "date|printed|printed on|print date|printing date|date printed|day|datum"
    "|druckdatum|druck datum|gedruckt am|fecha|fecha de impresión|data|data di stampa"
    "|date d'impression",
    "job_id": "job|job no|job number|order|order no|auftrag|auftragsnummer|commande|pedido"
    "|ordine|opdracht",
    "press_id": "press|machine|printing press|maschine|druckmaschine|presse|prensa|máquina"
    "|macchina|pers",
    "underbase_ink_id": "base|underbase|base ink|underbase ink|ink base|ink underbase"
    "|unterdruck|grundierung|sous-couche|onderlaag",
    "underbase_mesh_id": "base mesh|underbase mesh|base screen|underbase screen|mesh base"
    "|mesh underbase|screen base|sieb unterdruck|sieb grundierung",
    "underbase_strokes": "base strokes|underbase strokes|strokes base|strokes underbase"
    "|base passes|züge unterdruck|züge grundierung",
    "ink_lot": "lot|ink lot|batch|ink batch|charge|farbcharge|lote|lotto|partij",
    "strokes": "stroke|strokes|passes|pulls|hits|number of strokes|top strokes|züge|rakelzüge"
    "|passages|pasadas|passate|slagen",
    "flash_count": "flash|flashes|flash count|number of flashes|flash between strokes"
    "|flashes between strokes|zwischentrocknung|zwischentrocknungen|séchage intermédiaire"
    "|secado intermedio|tussendroging",
    "readings": "readings|measurements|number of readings|messungen|mesures|lecturas|letture"
    "|metingen",
    "squeegee_shore_a": "squeegee|squeegee hardness|durometer|rakel|rakelhärte|raclette"
    "|dureté de raclette|rasqueta|dureza|rakelhardheid",
    "squeegee_angle_deg": "angle|squeegee angle|rakelwinkel|winkel|angolo|ángulo|hoek",
    "off_contact_mm": "off contact|offcontact|absprung|hors contact|fuera de contacto",
    "eom_um": "eom|emulsion over mesh|stencil|stencil over mesh|stencil thickness|schablone"
    "|schablonendicke",
}
LOT_WORDS = frozenset(re.findall(r"\w+", _PROCESS["ink_lot"]))
_BY_TABLE = {
    "inks": {
        "ink_id": "id|code|no|nr|number|key|nummer|numéro|número|código|codice",
        "ink_name": "name|ink name|description|farbname|bezeichnung|nom|nombre|nome|naam",
        "ink_type": "type|ink type|kind|family|ink family|typ|farbtyp|art|tipo|soort",
        "role": "role|use|used as|used for|rolle|verwendung|rôle|usage|uso|gebruik",
        "solids_vol_pct": "solids|solids volume|volume solids|solids by volume"
        "|festkörper|festkörpervolumen|extrait sec|sólidos",
        "mix": "mix|recipe|mix by weight|mischung|rezept|mischrezept|recette|receta|ricetta",
    },
    "substrates": {
        "substrate_id": "id|code|no|nr|number|key|style|nummer|numéro|número|código|codice"
        "|artikelnummer|artikelnr|artikel nr",
        "kind": "kind|type|garment or card|art|typ|tipo|soort",
        "fibre": "fibre|fiber|fabric|material|composition|faser|matière|fibra|vezel",
        "colour_name": "colour|color|name|colour name|color name|garment colour|garment color"
        "|farbname|farbe|couleur|colore|kleur|description|bezeichnung",
    },
    "meshes": {
        "mesh_id": "id|code|no|nr|number|key|name|nummer|bezeichnung|numéro|número|código|codice",
        "threads_per_cm": "count|mesh count|threads|thread count|fadenzahl|fäden"
        "|nombre de fils|hilos|fili|draden|t/cm|n/cm|f/cm|threads/cm|fäden/cm|fils/cm|hilos/cm",
        "threads_per_inch": "tpi|t/inch|threads/inch",
        "thread_um": "thread|thread diameter|diameter|fadendurchmesser|fadenstärke|faden"
        "|diamètre du fil|diámetro del hilo|diametro del filo|draaddikte",
        "opening_um": "opening|mesh opening|maschenweite|maschenöffnung|ouverture|apertura"
        "|maaswijdte",
        "open_area_pct": "open area|offene fläche|offene siebfläche|surface ouverte"
        "|área abierta|area aperta|open oppervlak",
        "fabric_um": "fabric|fabric thickness|mesh thickness|gewebedicke|épaisseur du tissu",
        "theoretical_ink_cm3_m2": "theoretical ink volume|ink volume|theoretical volume"
        "|theoretisches farbvolumen|farbvolumen|volume d'encre",
    },
    "presses": {
        "press_id": "press|machine|printing press|id|code|no|nr|number|key|maschine|druckmaschine"
        "|nummer|presse|numéro|prensa|máquina|número|macchina|codice|pers",
        "press_name": "name|press name|description|bezeichnung|nom|nombre|nome|naam",
        "notes": "notes|note|remarks|remark|bemerkung|bemerkungen",
    },
    "changes": {
        "press_id": "press|machine|printing press|maschine|druckmaschine|presse|prensa|máquina"
        "|macchina|pers",
        "changed_on": "date|day|changed|changed on|date of change|datum|geändert am|fecha|data"
        "|date du changement",
        "what": "change|changes|what was changed|what changed|änderung|was|modification|cambio"
        "|modifica|wijziging",
        "note": "notes|remark|remarks|bemerkung|bemerkungen|nota|opmerking",
    },
    "drawdowns": {
        "ink_lot": _PROCESS["ink_lot"],
        "mixed_with": "mixed with|let down with|tinted with|gemischt mit|aufgehellt mit",
        "share_pct": "share|share by weight|anteil|gewichtsanteil",
    },
    "targets": {
        "name": "name|colour|color|colour name|target|farbe|farbname|nom|nombre|nome|naam",
        "hex": "hex|screen colour|screen color|bildschirmfarbe",
        "tolerance_dE00": "tolerance|toleranz|tolérance|tolerancia|tolleranza|tolerantie",
    },
    "aims": {
        "print_id": "print|print id|print no|id|druck",
        "target": "target|meant|ziel|soll|cible|objetivo",
        "tolerance_dE00": "tolerance|toleranz|tolérance|tolerancia|tolleranza|tolerantie",
    },
    "decisions": {
        "print_id": "print|print id|print no|id|druck",
        "stands": "decision|decided|entscheidung|décision|decisión|decisione|beslissing",
        "reason": "why|grund|raison|motivo|motivo|reden",
    },
    "prints": _PROCESS
    | {
        "print_id": "#|set-up|setup|set up|print|print no|print number|print id|id|no|number|sample"
        "|test|nr|nummer|muster|druck|druck nr|échantillon|muestra|campione|monster",
        "mix": "mix|recipe|mix by weight|mischung|rezept|mischrezept|recette|receta|ricetta",
    },
    "setups": _PROCESS
    | {
        "setup_id": "#|setup|set-up|set up|setup id|print|print id|id|no|number|name|nr|nummer"
        "|print no|numéro|número",
        "print_order": "print order|printing order|print sequence|druckreihenfolge|druckfolge",
        "target": "target|target colour|target color|ziel|zielfarbe|soll|cible|objetivo",
        "target_L": "target L*|L* target|wanted L*|ziel L*|soll L*|L* ziel|L* soll|cible L*",
        "target_a": "target a*|a* target|wanted a*|ziel a*|soll a*|a* ziel|a* soll|cible a*",
        "target_b": "target b*|b* target|wanted b*|ziel b*|soll b*|b* ziel|b* soll|cible b*",
        "tolerance_dE00": "tolerance|toleranz|tolérance|tolerancia|tolleranza|tolerantie"
        "|max delta e|tolerance delta e",
    },
}
# A word that two columns of a table may mean: the first that no other header has claimed.
_EITHER: dict[str, dict[str, tuple[str, ...]]] = {
    "inks": {
        **dict.fromkeys(
            ("ink", "farbe", "druckfarbe", "encre", "tinta", "inchiostro", "inkt"),
            ("ink_id", "ink_name"),
        ),
        "name": ("ink_name", "ink_id"),
    },
    "substrates": {
        **dict.fromkeys(
            ("garment", "shirt", "textil", "textile", "vetement", "prenda", "capo"),
            ("substrate_id", "colour_name"),
        ),
        "name": ("colour_name", "substrate_id"),
        "type": ("kind", "fibre"),
    },
    "meshes": {"mesh": ("mesh_id", "threads_per_cm"), "screen": ("mesh_id", "threads_per_cm")},
    "presses": {
        **dict.fromkeys(("press", "machine", "maschine"), ("press_id", "press_name")),
        "name": ("press_name", "press_id"),
    },
    "prints": {"test": ("print_id",), "number": ("print_id",)},
    "setups": {"job": ("job_id", "setup_id"), "name": ("setup_id",)},
}
_MICRON = "um|micron|microns|micrometre|micrometres|micrometer|mikrometer|mikron"
_PER_CM = "t/cm|n/cm|threads/cm|threads per cm|per cm|/cm|cm|f/cm|fäden/cm|fils/cm|hilos/cm"
_UNITS = {
    "film_um": f"{_MICRON}|dry, um|dry um|dry",
    "thread_um": _MICRON,
    "opening_um": _MICRON,
    "fabric_um": _MICRON,
    "eom_um": f"{_MICRON}|um over mesh",
    "off_contact_mm": "mm|millimetre|millimetres|millimeter",
    "squeegee_shore_a": "shore a|shore|sh a|a|shore-a|durometer|hardness|härte",
    "squeegee_angle_deg": "deg|degree|degrees|°|grad|deg from vertical|from vertical",
    "share_pct": "%|percent|% by weight|weight %|wt %|prozent|gew.-%",
    "solids_vol_pct": "%|vol %|vol-%|vol%|% vol|percent|% by volume|vol. %|prozent",
    "open_area_pct": "%|percent|prozent",
    "threads_per_cm": _PER_CM,
    "threads_per_inch": "tpi|t/inch|t/in|threads/inch|threads per inch|per inch|inch",
    "theoretical_ink_cm3_m2": "cm3/m2",
    "tolerance_dE00": "de00|de 2000|delta e 2000|delta e00|de2000",
    "printed_on": "yyyy-mm-dd|jjjj-mm-tt|iso",
    "changed_on": "yyyy-mm-dd|jjjj-mm-tt|iso",
}
# For names, what stands in brackets only describes them.
_REMARKS = "id|code|no|name|key|t/cm|threads/cm|threads per cm|per cm|top|top ink|count"
# What the words of a base and of a top print become over the columns they share.
_BASED = {
    "ink_id": "underbase_ink_id",
    "mesh_id": "underbase_mesh_id",
    "strokes": "underbase_strokes",
}
# Words beside a name that say nothing, and such as only say how a thing is named.
_LITTLE = frozenset(
    [
        "of",
        "the",
        "our",
        "in",
        "on",
        "for",
        "used",
        "von",
        "der",
        "des",
        "de",
        "du",
        "la",
        "del",
        "di",
    ]
)
_NAMING = frozenset(
    [
        "id",
        "code",
        "no",
        "nr",
        "number",
        "name",
        "nummer",
        "numero",
        "codigo",
        "codice",
        "naam",
        "nom",
        "nombre",
    ]
)
# A word for a thing with one that says it is its number: "Farbe Nr", "Farbnr", "Código tinta".
_NUMBERED = re.compile(
    r"(.+?) ?(?:nr|nummer)|(.+) (?:id|code|no|number|numero|codigo|codice)"
    r"|(?:id|code|no|nr|number|nummer|numero|codigo|codice) (.+)"
)
_JOINTS = (("", ""), ("", "e"), ("n", ""), ("s", ""))  # "Farb-nr", "Maschinen-nr", "Auftrags-nr"
_CLOSE = 0.85


@dataclass(frozen=True)
class Meaning:
    """What a header may mean: our columns, the likeliest first, or a unit that is not ours.

    ``loosely``: by some of its words alone, so that any surer header for the column is meant.
    """

    columns: tuple[str, ...] = ()
    odd_unit: str | None = None
    loosely: bool = False

    @property
    def per_inch(self) -> bool:
        """Whether the unit counts threads an inch."""
        of_mesh = any("mesh" in column or "threads" in column for column in self.columns)
        return of_mesh and self.odd_unit in _units("threads_per_inch")


@cache
def plain(text: str) -> str:
    """A header without case, accents, stars and punctuation."""
    text = text.replace("\N{GREEK CAPITAL LETTER DELTA}", "delta ").replace("ß", "ss")
    text = unicodedata.normalize("NFKD", text)
    text = text.replace("\N{GREEK SMALL LETTER MU}", "u")
    text = "".join(c for c in text if not unicodedata.combining(c)).casefold()
    text = re.sub(r"[*#:.'\u2019]", " ", text) if re.search(r"[a-z0-9]", text) else text
    return " ".join(re.sub(r"[_\-\u2010-\u2014]", " ", text).split())


@lru_cache(maxsize=4096)  # where the header stands is looked for twice, cell by cell
def meaning(table: Table, header: str) -> Meaning:
    """Which columns of ``table`` the header may mean; none when it means nothing to us."""
    if table.column(header) is not None or (table.colour and _own_colour(header)):
        return Meaning((header,))
    whole = plain(re.sub(r"[()\[\],]", " ", header))
    if found := _words_of(table).get(whole):
        return Meaning(found)
    if table.colour and (nm := _wavelength(whole)):
        return Meaning((f"r{nm}",))
    if found := _of_base(table, whole):
        return Meaning(found)
    head, unit = _parted(header)
    found = _words_of(table).get(head, ())
    if not found:
        return _numbered(table, whole) or Meaning(_loosely(table, whole), loosely=True)
    if not unit:
        return Meaning(found)
    numbers = tuple(c for c in found if unit in _units(c))
    names = tuple(c for c in found if c not in _UNITS and unit in _alternatives(_REMARKS))
    if numbers or names:
        return Meaning(numbers or names)
    inch = tuple(c for c in _inches(table, found) if unit in _units(c))
    return Meaning(inch) if inch else Meaning(odd_unit=unit)


def is_unit(text: str) -> bool:
    """Whether a cell below a header holds nothing but a unit."""
    word = plain(text.strip("()[] "))
    return any(word in _units(column) for column in _UNITS)


def near(table: Table, header: str) -> str | None:
    """The column whose word a header that means nothing to us nearly is, misspelt perhaps."""
    words = {word.replace(" ", ""): columns[0] for word, columns in _words_of(table).items()}
    close = difflib.get_close_matches(plain(header).replace(" ", ""), words, n=1, cutoff=_CLOSE)
    return words[close[0]] if close and len(close[0]) > 2 else None


def _words_of(table: Table) -> dict[str, tuple[str, ...]]:
    return _words(table.name, table)


def _of_base(table: Table, whole: str) -> tuple[str, ...]:
    """``base mesh``, ``sieb unterdruck``: a word for the base, and one for what it shares."""
    words = _words_of(table)
    for base in _bases(table):
        for rest in (whole.removeprefix(f"{base} "), whole.removesuffix(f" {base}")):
            found = words.get(rest, ()) if rest != whole else ()
            if found and found[0] in _BASED:
                return (_BASED[found[0]],)
    return ()


@cache
def _bases(table: Table) -> tuple[str, ...]:
    return tuple(w for w, found in _words_of(table).items() if found == ("underbase_ink_id",))


def _loosely(table: Table, whole: str) -> tuple[str, ...]:
    """By its words in another order, without those that say nothing."""
    all_words = frozenset(whole.split())
    for kept in (all_words - _LITTLE, all_words - _LITTLE - _NAMING):
        found = _in_any_order(table).get(kept, ()) if max(map(len, kept), default=0) > 2 else ()
        if found and (all_words.isdisjoint(_NAMING) or found[0].endswith(("_id", "_lot"))):
            return found[:1]
    return ()


def _numbered(table: Table, whole: str) -> Meaning | None:
    """``ink no``, ``farbnr``: the identifier, before a word that may mean it or the name."""
    found = _NUMBERED.fullmatch(whole)
    head = next(filter(None, found.groups())) if found else ""
    for end, joint in _JOINTS:
        columns = _words_of(table).get(head.removesuffix(end) + joint, ())
        if columns and columns[0].endswith(("_id", "_lot")):
            return Meaning(columns[:1], loosely=columns[0] != table.key or len(columns) < 2)
    return None


@cache
def _in_any_order(table: Table) -> dict[frozenset[str], tuple[str, ...]]:
    return {frozenset(word.split()): found for word, found in _words_of(table).items()}


def _own_colour(header: str) -> bool:
    return header in ("L", "a", "b") or wavelength_nm(header) is not None


def _inches(table: Table, found: tuple[str, ...]) -> tuple[str, ...]:
    """The count an inch, where the table has such a column, for the count a centimetre."""
    if "threads_per_cm" in found and table.column("threads_per_inch"):
        return ("threads_per_inch",)
    return ()


def _wavelength(word: str) -> int | None:
    found = re.fullmatch(r"(?:r|nm|spectral nm|r nm)? ?([3-7][0-9]{2})(?: ?nm)?", word)
    return int(found[1]) if found else None


def _parted(header: str) -> tuple[str, str]:
    """A header and its unit: in brackets, or after a comma."""
    found = re.fullmatch(r"(.+?)\s*[(\[](.+?)[)\]]\s*|(.+?)\s*,\s*(.+)", header.strip(), re.DOTALL)
    if not found:
        return plain(header), ""
    head, unit = (found[1], found[2]) if found[1] else (found[3], found[4])
    return plain(head), plain(unit)


@cache
def _alternatives(words: str) -> frozenset[str]:
    return frozenset(map(plain, words.split("|")))


def _units(column: str) -> frozenset[str]:
    return _alternatives(_UNITS.get(column, "-"))


@cache
def _words(name: str, table: Table) -> dict[str, tuple[str, ...]]:
    """Word -> columns of one table."""
    words: dict[str, tuple[str, ...]] = {}
    columns = [column.name for column in table.columns] + (["L", "a", "b"] if table.colour else [])
    own = _BY_TABLE[name]
    for column in columns:
        given = "|".join(filter(None, (_ANYWHERE.get(column), own.get(column))))
        for word in filter(None, map(plain, [column, *given.split("|"), *_of_setting(column)])):
            words.setdefault(word, (column,))
            for unit in _units(column) - {"-"}:  # "off contact mm" as well
                words.setdefault(f"{word} {unit}", (column,))
    for word, either in _EITHER.get(name, {}).items():
        words[word] = tuple(column for column in either if column in columns)
    return words


def _of_setting(column: str) -> list[str]:
    for setting in SETTINGS:
        if setting.name == column:
            return [setting.word, setting.label, setting.option.strip("-")]
    return []


_SHEETS = {
    "inks": "inks|ink|farben|druckfarben|encres|tintas|inchiostri|inkten",
    "substrates": "garments|garment|shirts|substrates|cloths|textilien|vêtements|prendas|capi",
    "meshes": "screens|meshes|screen|mesh|siebe|gewebe|écrans|mallas|telai|zeven",
    "presses": "presses|press|machines|machine|maschinen|druckmaschinen|prensas|macchine",
    "changes": "changes|press changes|changes of presses|änderungen|modifications|cambios"
    "|modifiche|wijzigingen",
    "drawdowns": "drawdowns|drawdown|draw downs|drawdown cards|aufstriche|rakelaufstriche",
    "prints": "prints|print history|history|past prints|drucke|impressions|impresiones|stampe",
    "targets": "targets|customer colours|customer colors|zielfarben",
    "aims": "aims|targets of prints",
    "decisions": "decisions|decisions on prints",
    "setups": "jobs|open jobs|set-ups|setups|aufträge|commandes|pedidos|lavori",
}


def sheet_title(table: str) -> str:
    """What the sheet of a table is called where we write it."""
    return _SHEETS[table].split("|")[0].capitalize()


def sheet_means(table: str, title: str) -> bool:
    """Whether a sheet of this title holds the table of this name."""
    return plain(title) in _alternatives(_SHEETS[table])
