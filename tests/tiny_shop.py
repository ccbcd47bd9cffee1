"""A tiny invented shop as CSV texts, for tests of reading, storing and the command line."""

from __future__ import annotations

from pathlib import Path

_WAVELENGTHS = range(400, 701, 10)


def spectrum(level: float, slope: float = 0.0) -> list[str]:
    """31 reflectances as text: a straight line, enough where no colour is computed."""
    return [f"{level + slope * (nm - 400) / 300:.4f}" for nm in _WAVELENGTHS]


_R = ",".join(f"r{nm}" for nm in _WAVELENGTHS)
_NONE = "," * 30

TINY: dict[str, str] = {
    "shop.toml": 'name = "Invented tiny shop"\ntolerance_dE00 = 2.5\n',
    "inks.csv": (
        "ink_id,ink_name,ink_type,role,solids_vol_pct\n"
        "white,Base white,plastisol,underbase,98\n"
        '007,"Red, warm",plastisol,colour,\n'
        "blue,Blau Größe 3,water_based,colour,45.50\n"
    ),
    "substrates.csv": (
        f"substrate_id,kind,fibre,colour_name,{_R},L,a,b\n"
        f"tee-black,garment,cotton,Black,{_NONE},17.2,0.4,-0.9\n"
        f"card-white,card,paper,White,{','.join(spectrum(0.85))},,,\n"
    ),
    "meshes.csv": (
        "mesh_id,threads_per_cm,thread_um,opening_um\n43-80,43,80,149\n77-55,77,55,\n90-48,90,48,\n"
    ),
    "drawdowns.csv": (
        f"ink_id,substrate_id,film_um,{_R},L,a,b\n"
        f"007,card-white,50,{','.join(spectrum(0.1, 0.6))},,,\n"
        f"007,card-white,bucket,{_NONE},48.1,62.0,35.5\n"
    ),
    "prints.csv": (
        "print_id,printed_on,job_id,press_id,substrate_id,underbase_ink_id,underbase_mesh_id,"
        "underbase_strokes,ink_id,ink_lot,mesh_id,strokes,flash_count,squeegee_shore_a,L,a,b,"
        "readings\n"
        "P1,2025-03-01,J1,A,tee-black,white,43-80,2,007,,77-55,2,1,70,46.00,58.2,31.0,3\n"
        "P2,,,,tee-black,,,,blue,L7,77-55,1,,,22.5,4.1,-20.75,\n"
        "P3,2025-03-09,J2,A,tee-black,white,43-80,1,blue,,43-80,1,0,,35.1,5.0,-40.2,1\n"
    ),
}

SETUPS = (
    "setup_id,substrate_id,underbase_ink_id,underbase_mesh_id,underbase_strokes,ink_id,mesh_id,"
    "strokes,flash_count,target_L,target_a,target_b,tolerance_dE00\n"
    "S2,tee-black,white,43-80,1,007,77-55,2,1,46,58,31,2\n"
    "S1,tee-black,,,,blue,43-80,1,0,,,,\n"
)


def write_shop(folder: Path, **changes: str | None) -> Path:
    """Write the tables; ``prints="..."`` replaces ``prints.csv``, None leaves a file out."""
    folder.mkdir(parents=True, exist_ok=True)
    for file, text in TINY.items():
        changed = changes.get(file.split(".")[0], text)
        if changed is not None:
            (folder / file).write_text(changed, encoding="utf-8", newline="")
    return folder


def with_cell(file: str, row: int, column: str, cell: str) -> str:
    """The table's text with one cell replaced; ``row`` counts as a spreadsheet does."""
    lines = [line.split(",") for line in TINY[file].splitlines()]
    assert all(len(line) == len(lines[0]) for line in lines), "no quoted commas in this one"
    lines[row - 1][lines[0].index(column)] = cell
    return "\n".join(map(",".join, lines)) + "\n"


def without_column(file: str, *columns: str) -> str:
    """The table's text without some columns."""
    lines = [line.split(",") for line in TINY[file].splitlines()]
    keep = [i for i, name in enumerate(lines[0]) if name not in columns]
    return "\n".join(",".join(line[i] for i in keep) for line in lines) + "\n"


def semicolon_with_decimal_commas(file: str) -> str:
    """The table as a European spreadsheet saves it."""
    import csv
    import io
    import re

    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=";", lineterminator="\r\n")
    for record in csv.reader(io.StringIO(TINY[file])):
        writer.writerow(
            [re.sub(r"^([+-]?\d+)\.(\d+)$", r"\1,\2", c) if c != "007" else c for c in record]
        )
    return out.getvalue()
