"""An empty workbook for a shop's tables: headers in words, an example row, drop-downs for ids."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.tables.headers import sheet_title
from pipelines.tables.schema import SHOP_TABLES, Table
from pipelines.workspace.files import beside

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

# How a row of a workbook says that it is an example.
EXAMPLE = "(example)"
ROWS = 1000  # down to which drop-downs are offered
# Column -> what stands over it and in the example row: an invented shop.
SHEETS: dict[str, dict[str, tuple[str, str]]] = {
    "inks": {
        "ink_id": ("Ink", f"{EXAMPLE} red"),
        "ink_name": ("Name", "Warm red"),
        "ink_type": ("Type", "plastisol"),
        "role": ("Used as", "colour"),
        "solids_vol_pct": ("Solids (vol %)", "98"),
    },
    "substrates": {
        "substrate_id": ("Garment", f"{EXAMPLE} tee-black"),
        "kind": ("Garment or card", "garment"),
        "fibre": ("Fibre", "cotton"),
        "colour_name": ("Colour", "Black"),
        "L": ("L*", "17.2"),
        "a": ("a*", "0.4"),
        "b": ("b*", "-0.9"),
    },
    "meshes": {
        "mesh_id": ("Screen", f"{EXAMPLE} 43-80"),
        "threads_per_cm": ("Threads per cm", "43"),
        "thread_um": ("Thread (um)", "80"),
        "opening_um": ("Opening (um)", "149"),
    },
    "presses": {
        "press_id": ("Press", f"{EXAMPLE} A"),
        "press_name": ("Name", "Big carousel"),
        "notes": ("Notes", "10 colours"),
    },
    "changes": {
        "press_id": ("Press", f"{EXAMPLE} A"),
        "changed_on": ("Date", "2026-03-31"),
        "what": ("Change", "new blade"),
        "note": ("Note", ""),
    },
    "drawdowns": {
        "ink_id": ("Ink", f"{EXAMPLE} red"),
        "substrate_id": ("Card", "card-white"),
        "film_um": ("Dry film (um)", "50"),
        "ink_lot": ("Ink lot", ""),
        "L": ("L*", "48.1"),
        "a": ("a*", "62"),
        "b": ("b*", "35.5"),
        "mixed_with": ("Mixed with", ""),
        "share_pct": ("Share (%)", ""),
    },
    "prints": {
        "print_id": ("Print", f"{EXAMPLE} P1"),
        "printed_on": ("Date", "2026-03-31"),
        "job_id": ("Job", "J1"),
        "press_id": ("Press", "A"),
        "substrate_id": ("Garment", "tee-black"),
        "underbase_ink_id": ("Base", "white"),
        "underbase_mesh_id": ("Base screen", "43-80"),
        "underbase_strokes": ("Base strokes", "2"),
        "ink_id": ("Ink", "red"),
        "ink_lot": ("Ink lot", ""),
        "mesh_id": ("Screen", "77-55"),
        "strokes": ("Strokes", "2"),
        "flash_count": ("Flashes between strokes", "1"),
        "squeegee_shore_a": ("Squeegee (Shore A)", "70"),
        "squeegee_angle_deg": ("Angle (deg)", ""),
        "off_contact_mm": ("Off contact (mm)", "3"),
        "eom_um": ("Stencil over mesh (um)", ""),
        "readings": ("Readings", "3"),
        "L": ("L*", "46"),
        "a": ("a*", "58.2"),
        "b": ("b*", "31"),
    },
}
STEPS = (
    "What to do",
    "1. Inks: a row for every ink, and for every base (used as underbase).",
    "2. Garments: a row a garment, measured where nothing is printed; cards of drawdowns too.",
    "3. Screens: threads per centimetre (per inch divided by 2.54), thread: see the maker's sheet.",
    "4. Presses, changes of them, and drawdowns: only if wanted; a sheet left empty is none.",
    "   For inks that will be mixed: a card of 1 part of it in 4 of white, too (share 20).",
    "5. Prints: a row a print, with what was measured on it; leave a cell empty for not known.",
    "6. Measure always with the same instrument and condition; columns r400 ... r700 for spectra.",
    "7. Grey rows are examples of an invented shop and are never read; write below them.",
    "8. Look first:   strikeoff import shop.xlsx --dry-run",
    "9. Take it in:   strikeoff import shop.xlsx   and then   strikeoff learn",
)


def write_blank(path: Path) -> None:
    """Write the empty workbook."""
    import openpyxl  # slow to import, and seldom needed

    book = openpyxl.Workbook()
    first = book.worksheets[0]
    first.title = "Start"
    for row, line in enumerate(STEPS, start=1):
        first.cell(row, 1, line)
    first.column_dimensions["A"].width = 100
    for name, columns in SHEETS.items():
        _fill(book.create_sheet(sheet_title(name)), SHOP_TABLES[name], columns)
    with beside(path) as fresh:
        book.save(fresh)


def _fill(sheet: Worksheet, table: Table, columns: dict[str, tuple[str, str]]) -> None:
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    for at, (name, (header, example)) in enumerate(columns.items(), start=1):
        sheet.cell(1, at, header).font = Font(bold=True)
        cell = sheet.cell(2, at, example or None)
        cell.font = Font(italic=True, color="FF808080")
        letter = get_column_letter(at)
        sheet.column_dimensions[letter].width = max(12, len(header) + 2, len(example) + 2)
        _offer(sheet, table, name, f"{letter}3:{letter}{ROWS}")
    sheet.freeze_panes = "B2"


def _offer(sheet: Worksheet, table: Table, name: str, cells: str) -> None:
    """A drop-down of the words a column may hold, or of the ids on another sheet."""
    from openpyxl.worksheet.datavalidation import DataValidation

    column = table.column(name)
    if column is None:
        return
    if column.choices:
        formula = f'"{",".join(column.choices)}"'
    elif column.refers_to:
        formula = f"={sheet_title(column.refers_to)}!$A$3:$A${ROWS}"
    else:
        return
    # A name is understood as well as an id: another entry is asked about, not refused.
    offer = DataValidation(type="list", formula1=formula, allow_blank=True, errorStyle="warning")
    sheet.add_data_validation(offer)
    offer.add(cells)
