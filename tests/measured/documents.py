"""Files as instruments export them, made of four smooth spectra."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from hypothesis import HealthCheck

from learn.colour.colorimetry import lab_from_reflectance, viewing
from learn.shop import ShopSettings
from pipelines.measured import Measured, read_measured
from pipelines.workspace.problems import UserError
from tests.published import PUBLISHED

SHOP = ShopSettings("tiny")
PROOF = PUBLISHED / "press_proof_cgats.txt"
LAB = ["L", "a", "b"]
QUICK = {
    "suppress_health_check": [HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
}

# Four smooth spectra, as fractions at 380 ... 730 nm.
NM = np.arange(380, 731, 10)
EDGES = [(480, 1), (560, -1), (600, 1), (420, 1)]
SPECTRA = np.stack([0.03 + 0.8 / (1 + np.exp((at - NM) / 25 * sign)) for at, sign in EDGES])
SPECTRA.flags.writeable = False
NAMES = ["P1", "P2", "dark red", "P4"]


def lab_of(spectra: np.ndarray, illuminant: str = "D50", observer: str = "2") -> np.ndarray:
    """Lab of spectra at 380 ... 730 nm."""
    return lab_from_reflectance(spectra[:, 2:33], viewing(illuminant, observer))


def read(folder: Path, content: str | bytes, **options: str) -> Measured:
    path = folder / "day.dat"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return read_measured(path, SHOP, **options)


def refused(folder: Path, content: str | bytes, **options: str) -> str:
    """The sentence; it names the file, and nothing in the folder has changed."""
    path = folder / "day.dat"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    before = {p: p.read_bytes() for p in folder.iterdir()}
    with pytest.raises(UserError) as error:
        read_measured(path, SHOP, **options)
    assert before == {p: p.read_bytes() for p in folder.iterdir()}
    sentence = str(error.value)
    assert sentence.startswith("day.dat") and sentence.endswith(".") and sentence.isprintable()
    return sentence


def cgats(
    columns: dict[str, list[object]], header: str = "", sets: int | None = None, sep: str = " "
) -> str:
    """A CGATS text with these fields."""
    rows = list(zip(*columns.values(), strict=True))
    names = [f'"{cell}"' if " " in str(cell) and sep == " " else str(cell) for cell in columns]
    lines = [
        "CGATS.17",
        header,
        "BEGIN_DATA_FORMAT",
        sep.join(names),
        "END_DATA_FORMAT",
        f"NUMBER_OF_SETS {len(rows) if sets is None else sets}",
        "BEGIN_DATA",
        *(
            sep.join(f'"{c}"' if " " in str(c) and sep == " " else str(c) for c in row)
            for row in rows
        ),
        "END_DATA",
    ]
    return "\n".join(lines) + "\n"


def fields(
    spelling: str = "SPECTRAL_NM{}",
    scale: float = 1.0,
    nm: np.ndarray = NM,
    lab: np.ndarray | None = None,
    sample: str = "SAMPLE_NAME",
) -> dict[str, list[object]]:
    """Columns of the four readings."""
    columns: dict[str, list[object]] = {sample: list(NAMES)}
    if lab is not None:
        columns |= {f"LAB_{axis}": lab[:, i].round(4).tolist() for i, axis in enumerate("LAB")}
    for i, one in enumerate(NM):
        if one in nm:
            columns[spelling.format(one)] = (SPECTRA[:, i] * scale).round(6).tolist()
    return columns


def csv(columns: dict[str, list[object]], sep: str = ",") -> str:
    lines = [list(columns), *zip(*columns.values(), strict=True)]
    return "\n".join(sep.join(map(str, line)) for line in lines) + "\n"


def workbook(columns: dict[str, list[object]], **more: dict[str, list[object]]) -> bytes:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, table in {"day": columns, **more}.items():
        sheet = book.create_sheet(title)
        for line in [list(table), *zip(*table.values(), strict=True)]:
            sheet.append(line)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


CXF = """<?xml version="1.0" encoding="UTF-8"?>
<cc:CxF xmlns:cc="http://colorexchangeformat.com/CxF3-core">
 <cc:Resources><cc:ObjectCollection>{objects}</cc:ObjectCollection>
 <cc:ColorSpecificationCollection>{specs}</cc:ColorSpecificationCollection></cc:Resources>{custom}
</cc:CxF>
"""


def cxf_object(name: str, values: str, kind: str = "Trial") -> str:
    return (
        f'<cc:Object ObjectType="{kind}" Name="{name}" Id="id-{name}">'
        "<cc:CreationDate>2026-03-31T08:00:00Z</cc:CreationDate>"
        f"<cc:ColorValues>{values}</cc:ColorValues></cc:Object>"
    )


def cxf_spectrum(values: np.ndarray, spec: str = "M1") -> str:
    text = " ".join(f"{value:.6f}" for value in values)
    return (
        f'<cc:ReflectanceSpectrum ColorSpecification="{spec}" StartWL="380">{text}'
        "</cc:ReflectanceSpectrum>"
    )


def cxf_lab(lab: np.ndarray, spec: str = "M1") -> str:
    axes = "".join(f"<cc:{a}>{v:.4f}</cc:{a}>" for a, v in zip("LAB", lab, strict=True))
    return f'<cc:ColorCIELab ColorSpecification="{spec}">{axes}</cc:ColorCIELab>'


def cxf_spec(
    key: str = "M1", lamp: str = "M1_Daylight", light: str = "D50", backing: str = "White"
) -> str:
    return (
        f'<cc:ColorSpecification Id="{key}"><cc:TristimulusSpec><cc:Illuminant>{light}'
        "</cc:Illuminant><cc:Observer>2_Degree</cc:Observer></cc:TristimulusSpec>"
        '<cc:MeasurementSpec><cc:WavelengthRange StartWL="380" Increment="10"/>'
        f"<cc:Backing>{backing}</cc:Backing><cc:Device><cc:DeviceIllumination>{lamp}"
        "</cc:DeviceIllumination></cc:Device></cc:MeasurementSpec></cc:ColorSpecification>"
    )


def cxf(objects: str | None = None, specs: str | None = None, custom: str = "") -> str:
    if objects is None:
        lab = lab_of(SPECTRA)
        objects = "".join(
            cxf_object(name, cxf_spectrum(s) + cxf_lab(one))
            for name, s, one in zip(NAMES, SPECTRA, lab, strict=True)
        )
    return CXF.format(objects=objects, specs=specs or cxf_spec(), custom=custom)


def cgats_xml(columns: dict[str, list[object]]) -> str:
    rows = zip(*columns.values(), strict=True)
    sets = "".join(
        "<set>" + "".join(f"<{n}>{c}</{n}>" for n, c in zip(columns, row, strict=True)) + "</set>"
        for row in rows
    )
    return f"<cgats><header><OBSERVER>2</OBSERVER></header><data>{sets}</data></cgats>"


def documents() -> dict[str, bytes]:
    """The four readings, spectra and Lab, in every format."""
    lab = lab_of(SPECTRA)
    plain = fields(lab=lab)
    sheet = fields("r{}", lab=lab, sample="print_id")
    comma = {n: [str(c).replace(".", ",") for c in cells] for n, cells in sheet.items()}
    pairs = cgats(plain, sep="\t").split("\n")
    nm_pct = "\t".join(["SAMPLE_ID", *["SPECTRAL_NM", "SPECTRAL_DEC"] * len(NM)])
    pairs[3] = nm_pct
    for i, name in enumerate(NAMES):
        values = [f"{nm}\t{v:.6f}" for nm, v in zip(NM, SPECTRA[i], strict=True)]
        pairs[7 + i] = "\t".join([name, *values])
    return {
        "cgats": cgats(plain, 'MEASUREMENT_CONDITION "M1" # said\nILLUMINANT "D50"').encode(),
        "cgats_tabs": cgats(plain, sep="\t").replace("\n", "\r\n").encode(),
        "cgats_pairs": "\n".join(pairs).encode(),
        "cgats_xml": cgats_xml(plain).encode(),
        "cxf": cxf().encode(),
        "cxf_utf16": cxf().replace("UTF-8", "UTF-16").encode("utf-16"),
        "csv": csv(sheet).encode(),
        "csv_comma": csv(comma, ";").encode(),
        "xlsx": workbook(sheet),
    }


SHEET = "xl/worksheets/sheet1.xml"


def inside(book: bytes, change: dict[str, bytes]) -> bytes:
    """A workbook with members replaced."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(book)) as old, zipfile.ZipFile(out, "w") as new:
        for name in old.namelist():
            new.writestr(name, change.get(name, old.read(name)))
    return out.getvalue()
