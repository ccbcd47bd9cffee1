"""Reading measured prints: what instruments export, what is decided, what is refused and how."""

from __future__ import annotations

import io
import zipfile
from importlib import resources
from pathlib import Path

import colour_cxf
import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from learn.colour.colorimetry import (
    WAVELENGTHS_NM,
    delta_e00,
    lab_from_reflectance,
    viewing,
    xyz_from_reflectance,
)
from learn.shop import ShopSettings
from pipelines.measured import Measured, read_measured, write_cgats, write_cxf
from pipelines.tables.spectra import SPECTRUM
from pipelines.workspace.problems import UserError
from tests import extract_published
from tests.published import PUBLISHED

SHOP = ShopSettings("tiny")
PROOF = PUBLISHED / "press_proof_cgats.txt"
LAB = ["L", "a", "b"]
QUICK = {
    "deadline": None,
    "suppress_health_check": [HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
}

# Four smooth spectra, as fractions at 380 ... 730 nm.
NM = np.arange(380, 731, 10)
EDGES = [(480, 1), (560, -1), (600, 1), (420, 1)]
SPECTRA = np.stack([0.03 + 0.8 / (1 + np.exp((at - NM) / 25 * sign)) for at, sign in EDGES])
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


# --- against published data -------------------------------------------------------------


def test_spectra_of_a_published_chart_give_its_published_xyz():
    """Source: press proof, public domain (datasets/published/README.md); XYZ for D50/2."""
    measured = read_measured(PROOF, SHOP)
    published = extract_published.read_cgats(PROOF)
    assert measured.frame["sample"].tolist() == published["SAMPLE_ID"].tolist()
    xyz = published[["XYZ_X", "XYZ_Y", "XYZ_Z"]].to_numpy()
    computed = xyz_from_reflectance(measured.frame[SPECTRUM].to_numpy(), viewing())
    # The file's own digits (0.05 in the last five samples) and its program's weights.
    assert np.abs(computed - xyz).max() < 0.2
    assert "Reflectance is in percent (up to 99.64): divided by 100." in measured.said


def test_published_lab_alone_is_read_as_it_stands(tmp_path):
    """Source: FOGRA39L, coated paper (datasets/published/README.md, coated_backings.csv)."""
    text = cgats(
        {"SAMPLE_ID": [1, 9], "LAB_L": ["95.00", "48.00"], "LAB_A": [0, 74], "LAB_B": [-2, -3]},
        'INSTRUMENTATION "D50, 2 degree, geometry 45/0, no polarisation filter, white backing, '
        'according to ISO 13655"\nCREATED "December 2006"',
    )
    path = PUBLISHED / "coated_backings.csv"
    solid = pd.read_csv(path).query("ink == 'M' and backing_id == 'c0m0y0k0'").iloc[0]
    measured = read(tmp_path, text)
    assert measured.frame[LAB].iloc[0].tolist() == [95, 0, -2]
    assert measured.frame[LAB].iloc[1].tolist() == solid[["print_L", "print_a", "print_b"]].tolist()
    assert measured.frame[SPECTRUM].isna().all(axis=None)
    assert measured.facts | {"instrument": ""} == {
        "illuminant": "D50",
        "observer": "2",
        "geometry": "45:0",
        "backing": "white",
        "created": "December 2006",
        "instrument": "",
    }


def test_cxf3_sample_of_an_independent_library_gives_its_own_lab():
    """Source: the sample file inside the PyPI package colour-cxf 0.1.1, spectra 380-680 nm."""
    sample = resources.files(colour_cxf) / "tests" / "resources" / "sample.cxf"
    with resources.as_file(sample) as path:
        measured = read_measured(path, SHOP)
        theirs = colour_cxf.read_cxf_from_file(path).resources.object_collection
    objects = next(value for value in vars(theirs).values() if isinstance(value, list))
    lab = [
        [value.l, value.a, value.b]
        for one in objects
        for value in one.color_values.choice
        if type(value).__name__ == "ColorCielab"
    ]
    assert measured.frame["sample"].tolist() == [one.name for one in objects]
    # What is missing above 680 nm is filled up (ASTM E308).
    assert delta_e00(measured.frame[LAB].to_numpy(), lab).max() < 0.2


@pytest.mark.parametrize("first", [380, 390, 400])
def test_20_nm_steps_hardly_change_the_colour_of_real_prints(first, tmp_path):
    """Source: press proof as above: every second band against all of them."""
    whole = extract_published.read_cgats(PROOF)
    names = [n for n in whole if n.startswith("SPEC_") and (int(n[5:]) - first) % 20 == 0]
    names = [name for name in names if int(name[5:]) >= first]
    half = {"SAMPLE_ID": whole["SAMPLE_ID"].tolist()} | {n: whole[n].tolist() for n in names}
    measured = read(tmp_path, cgats(half))
    truth = lab_from_reflectance(read_measured(PROOF, SHOP).frame[SPECTRUM].to_numpy(), viewing())
    assert delta_e00(measured.frame[LAB].to_numpy(), truth).max() < 0.2
    assert "20 nm steps: interpolated to 10 nm (Sprague)." in measured.said


def test_cxf_we_write_is_read_by_an_independent_library(tmp_path):
    """Reference: colour-cxf 0.1.1, which refuses what the schema does not know."""
    frame = read(tmp_path, csv(fields("r{}"))).frame
    path = tmp_path / "out.cxf"
    facts = {"illuminant": "D50", "observer": "2", "measurement_condition": "M1"}
    facts |= {"geometry": "45:0", "backing": "white", "created": "2026-03-31T08:00:00Z"}
    write_cxf(frame, facts, path)
    theirs = colour_cxf.read_cxf_from_file(path).resources
    objects = next(v for v in vars(theirs.object_collection).values() if isinstance(v, list))
    values = np.array([one.color_values.choice[0].value for one in objects])
    assert np.array_equal(values, frame[SPECTRUM].to_numpy())
    specs = theirs.color_specification_collection
    spec = next(value for value in vars(specs).values() if isinstance(value, list))[0]
    device = spec.measurement_spec.device
    assert device.device_illumination.value.value == "M1_Daylight"
    assert spec.tristimulus_spec.illuminant_or_custom_illuminant.value.value == "D50"


# --- one reading, whatever the file -----------------------------------------------------

SPELLINGS = ["SPECTRAL_NM{}", "SPECTRAL_NM_{}", "SPECTRAL_PCT_{}", "SPEC_{}", "NM{}", "nm{}"]
SPELLINGS += ["R_{}", "r{}", "{}", "{}nm", "{} nm", "SPECTRUM_{}", "SPECTRAL_{}"]


@pytest.mark.parametrize("scale", [1, 100])
@pytest.mark.parametrize("spelling", SPELLINGS)
def test_spelling_and_scale_change_nothing(spelling, scale, tmp_path):
    measured = read(tmp_path, cgats(fields(spelling, scale)))
    assert np.allclose(measured.frame[SPECTRUM], SPECTRA[:, 2:33], atol=1e-6)
    assert np.allclose(measured.frame[LAB], lab_of(SPECTRA), atol=1e-3)
    assert measured.frame["sample"].tolist() == NAMES
    word = "percent" if scale == 100 else "fractions"
    assert any(f"Reflectance is in {word}" in sentence for sentence in measured.said)


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


@pytest.mark.parametrize("kind", documents())
def test_every_format_gives_the_same_readings(kind, tmp_path):
    measured = read(tmp_path, documents()[kind])
    assert list(measured.frame) == ["sample", "where", *LAB, *SPECTRUM]
    assert measured.frame["sample"].tolist() == NAMES
    assert np.allclose(measured.frame[SPECTRUM], SPECTRA[:, 2:33], atol=1e-6)
    assert np.allclose(measured.frame[LAB], lab_of(SPECTRA), atol=1e-3)
    words = "object '" if kind.startswith("cxf") else ("row", "line", "sample")
    assert measured.frame["where"].str.startswith(words).all() and measured.said


def test_5_nm_steps_and_a_wide_range(tmp_path):
    nm = np.arange(360, 781, 5)
    values = 0.2 + 0.001 * (nm - 360)
    columns = {"SAMPLE_ID": ["A"]} | {f"nm{n}": [v] for n, v in zip(nm, values, strict=True)}
    measured = read(tmp_path, cgats(columns))
    assert np.allclose(measured.frame[SPECTRUM], 0.2 + 0.001 * (WAVELENGTHS_NM - 360))
    assert "5 nm steps: the values at 400, 410 ... 700 nm are taken." in measured.said


def test_lab_of_another_light_is_computed_anew_where_the_file_declares_it(tmp_path):
    lab = lab_of(SPECTRA, "D65", "10")
    header = 'WEIGHTING_FUNCTION "ILLUMINANT, D65"\nWEIGHTING_FUNCTION "OBSERVER, 10 degree"'
    measured = read(tmp_path, cgats(fields(lab=lab), header))
    assert np.allclose(measured.frame[LAB], lab_of(SPECTRA), atol=1e-3)
    assert any("computed anew from the spectra for D50/2" in s for s in measured.said)
    sentence = refused(tmp_path, cgats(fields(lab=lab)))
    assert "they would agree for D65/10: declare it" in sentence
    sentence = refused(tmp_path, cgats(fields(lab=lab_of(SPECTRA)), 'ILLUMINANT "D65"'))
    assert "apart under D65/2" in sentence


def test_two_tables_of_lab_and_spectra_are_one_reading(tmp_path):
    lab = lab_of(SPECTRA)
    first = {key: fields(lab=lab)[key] for key in ("SAMPLE_NAME", "LAB_L", "LAB_A", "LAB_B")}
    text = cgats(first) + "\n".join(cgats(fields()).split("\n")[1:])
    measured = read(tmp_path, text)
    assert len(measured.frame) == 4 and measured.frame[SPECTRUM].notna().all(axis=None)


def test_tables_of_two_measurement_conditions(tmp_path):
    both = cgats(fields(), 'MEASUREMENT_SOURCE "MeasurementCondition=M0 Filter=no"')
    both += cgats(fields(), 'MEASUREMENT_SOURCE "MeasurementCondition=M1 Filter=no"')
    sentence = refused(tmp_path, both)
    assert "mixes measurement conditions, M0 and M1" in sentence
    measured = read(tmp_path, both, measurement_condition="M1")
    assert len(measured.frame) == 4 and measured.facts["measurement_condition"] == "M1"
    sentence = refused(tmp_path, both, measurement_condition="M2")
    assert "is measured under M0 and M1, not M2" in sentence


def test_cxf_objects_under_several_conditions(tmp_path):
    specs = "".join(cxf_spec(m, f"{m}_x") for m in ("M0", "M1"))
    specs = specs.replace("M0_x", "M0_Incandescent").replace("M1_x", "M1_Daylight")
    objects = "".join(
        cxf_object(n, cxf_spectrum(s * 0.9, "M0") + cxf_spectrum(s, "M1"))
        for n, s in zip(NAMES, SPECTRA, strict=True)
    )
    assert "M0 and M1" in refused(tmp_path, cxf(objects, specs))
    measured = read(tmp_path, cxf(objects, specs), measurement_condition="M1")
    assert np.allclose(measured.frame[SPECTRUM], SPECTRA[:, 2:33], atol=1e-6)
    assert measured.facts["backing"] == "white"


def test_spot_colour_characterisation(tmp_path):
    objects = "".join(
        cxf_object(n, cxf_spectrum(s), "Standard") for n, s in zip(NAMES, SPECTRA, strict=True)
    ).replace('Id="id-dark red"', 'Id="id-P3"')
    sets = "".join(
        f'<x:MeasurementSet Background="{background}">'
        + "".join(f'<x:Measurement ObjectRef="id-{n}" TintPercentage="{t}"/>' for n, t in tints)
        + "</x:MeasurementSet>"
        for background, tints in (
            ("Substrate", [("P1", 0), ("P2", 100)]),
            ("Process Black", [("P3", 0), ("P4", 100)]),
        )
    )
    custom = (
        '<cc:CustomResources xmlns:x="urn:x"><x:SpotInkCharacterisation SpotInkName="red 1">'
        f"{sets}</x:SpotInkCharacterisation></cc:CustomResources>"
    )
    measured = read(tmp_path, cxf(objects, custom=custom))
    assert measured.frame["over"].tolist() == ["substrate", "substrate", "black", "black"]
    assert measured.frame["tint_pct"].tolist() == [0, 100, 0, 100]
    assert set(measured.frame["ink"]) == {"red 1"}
    assert "Spot colour red 1: 2 patches over the substrate, 2 over black." in measured.said
    lost = cxf(objects, custom=custom.replace("id-P4", "id-P9"))
    assert 'refers to "id-P9", which is no object of the file' in refused(tmp_path, lost)


def test_several_sheets_and_a_text_of_another_alphabet(tmp_path):
    book = workbook(fields("r{}", sample="print_id"), notes={"what": ["nothing"]})
    assert "Read from the sheet day." in read(tmp_path, book).said
    two = workbook(fields("r{}", sample="print_id"), again=fields("r{}", sample="print_id"))
    assert "readings on several sheets, day and again" in refused(tmp_path, two)
    latin = csv({"print_id": ["Grün"], "L": [50], "a": [-40], "b": [30]}).encode("latin-1")
    measured = read(tmp_path, latin)
    assert measured.frame["sample"].tolist() == ["Grün"]
    assert "The file is not UTF-8: read as Western European (Windows-1252) text." in measured.said


# --- round trips ------------------------------------------------------------------------

VALUE = st.floats(0.01, 1.1)
WORDS = st.text(
    st.characters(codec="utf-8", categories=("L", "N", "P", "S", "Zs")), min_size=1, max_size=12
).map(lambda text: " ".join(text.split()))
NAME = WORDS.filter(bool)


@st.composite
def readings(draw: st.DrawFn) -> pd.DataFrame:
    """A frame as `Measured` has it: readings with a spectrum first, then with Lab alone."""
    spectra = draw(arrays(float, st.tuples(st.integers(0, 3), st.just(31)), elements=VALUE))
    coordinate = st.tuples(st.floats(0, 100), st.floats(-150, 150), st.floats(-150, 150))
    alone = draw(st.lists(coordinate, min_size=not len(spectra), max_size=3))
    lab = np.vstack([lab_from_reflectance(spectra, viewing()), *alone])
    nothing = np.full((len(alone), 31), np.nan)
    colour = np.hstack([lab, np.vstack([spectra, nothing])])
    names = draw(st.lists(NAME, min_size=len(colour), max_size=len(colour)))
    frame = pd.DataFrame(colour, columns=[*LAB, *SPECTRUM])
    return pd.concat([pd.DataFrame({"sample": names, "where": ""}), frame], axis=1)


FACTS = st.fixed_dictionaries(
    {"illuminant": st.just("D50"), "observer": st.just("2")},
    optional={
        "measurement_condition": st.sampled_from(["M0", "M1", "M2", "M3"]),
        "backing": st.sampled_from(["white", "black", "self"]),
        "geometry": st.sampled_from(["45:0", "0:45"]),
        "created": st.just("2026-03-31T08:00:00Z"),
    },
)


@pytest.mark.parametrize("write", [write_cgats, write_cxf])
@given(frame=readings(), facts=FACTS)
@settings(max_examples=25, **QUICK)
def test_what_we_write_we_read_again(write, frame, facts, tmp_path):
    path = tmp_path / "out"
    write(frame, facts, path)
    measured = read_measured(path, SHOP)
    wanted = ["sample", *LAB, *SPECTRUM]
    pd.testing.assert_frame_equal(
        measured.frame[wanted], frame[wanted], check_exact=False, rtol=0, atol=1e-9
    )
    assert np.array_equal(measured.frame[SPECTRUM], frame[SPECTRUM], equal_nan=True)
    created = measured.facts.pop("created", None)
    assert created == facts.get("created", created)
    assert measured.facts == {key: text for key, text in facts.items() if key != "created"}


# --- anything at all --------------------------------------------------------------------

EDIT = st.tuples(
    st.floats(0, 1, exclude_max=True),
    st.integers(0, 40),
    st.one_of(
        st.sampled_from(
            [b"", b"\n", b"\t", b'"', b"#", b",", b";", b"<", b"&a;", b"nan", b"1e999", b"-1"]
        ),
        st.sampled_from(
            [b"\0", b"\xff\xfe", b"0", b"700", b"BEGIN_DATA\n", b"END_DATA\n", b"</cc:Object>"]
        ),
        st.sampled_from([b"r400", b"M0 M1", b"D65", b'encoding="x"', b"<!DOCTYPE a>"]),
        st.binary(max_size=8),
    ),
)
DOCUMENTS = documents()
SHEET = "xl/worksheets/sheet1.xml"


def edited(data: bytes, edits: list[tuple[float, int, bytes]]) -> bytes:
    for at, dropped, put in edits:
        start = int(at * (len(data) + 1))
        data = data[:start] + put + data[start + dropped :]
    return data


def inside(book: bytes, change: dict[str, bytes]) -> bytes:
    """A workbook with members replaced."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(book)) as old, zipfile.ZipFile(out, "w") as new:
        for name in old.namelist():
            new.writestr(name, change.get(name, old.read(name)))
    return out.getvalue()


@pytest.mark.parametrize("kind", [*DOCUMENTS, "inside_xlsx"])
@given(edits=st.lists(EDIT, min_size=1, max_size=4))
@settings(max_examples=30, **QUICK)
def test_damaged_files_are_read_or_refused_and_never_changed(kind, edits, tmp_path):
    if kind == "inside_xlsx":
        with zipfile.ZipFile(io.BytesIO(DOCUMENTS["xlsx"])) as book:
            sheet = edited(book.read(SHEET), edits)
        data = inside(DOCUMENTS["xlsx"], {SHEET: sheet})
    else:
        data = edited(DOCUMENTS[kind], edits)
    path = tmp_path / "day.dat"
    path.write_bytes(data)
    try:
        measured = read_measured(path, SHOP)
    except UserError as error:
        assert "day.dat" in str(error)
    else:
        assert np.isfinite(measured.frame[LAB].to_numpy()).all() and len(measured.frame)
    assert [p.name for p in tmp_path.iterdir()] == ["day.dat"] and path.read_bytes() == data


# --- bad input, each with its sentence --------------------------------------------------


def with_cell(columns: dict[str, list[object]], name: str, row: int, cell: object) -> dict:
    return columns | {name: [cell if i == row else c for i, c in enumerate(columns[name])]}


def renamed(columns: dict[str, list[object]], **names: str) -> dict[str, list[object]]:
    return {names.get(name, name): cells for name, cells in columns.items()}


GOOD = fields()
SHEET_COLUMNS = fields("r{}", sample="print_id")
ENTITIES = "".join(f'<!ENTITY {b} "&{a};&{a};">' for a, b in zip("abcde", "bcdef", strict=True))
HEAVY = f'<!DOCTYPE a [<!ENTITY a "ha">{ENTITIES}]>'
BANDS = [name for name in SHEET_COLUMNS if name.startswith("r")]


def first_reading(factor: float) -> dict[str, list[object]]:
    """The sheet with the first spectrum on another scale."""
    first = {name: [factor * SHEET_COLUMNS[name][0], *SHEET_COLUMNS[name][1:]] for name in BANDS}
    return SHEET_COLUMNS | first


def bomb(content: bytes = b" " * 61_000_000) -> bytes:
    """A workbook with one part more, of 61 MB unless given."""
    book = workbook({"print_id": ["A"], "L": [1], "a": [1], "b": [1]})
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(book)) as old, zipfile.ZipFile(out, "w") as new:
        for name in old.namelist():
            new.writestr(name, old.read(name))
        new.writestr("xl/more.xml", content, zipfile.ZIP_DEFLATED, 1)
    return out.getvalue()


def lying(book: bytes) -> bytes:
    """The same with declared sizes of 10 bytes: what unpacks does not keep to them."""
    size = (61_000_000).to_bytes(4, "little")
    return book.replace(size, (10).to_bytes(4, "little"))


BOMB = bomb()
BAD = {
    "empty": ("", "is empty; export the file again"),
    "cut short": (cgats(GOOD)[:-200], "ends before END_DATA: it has been cut short"),
    "cut in the header": ("CGATS.17\nORIGINATOR x\n", "holds no BEGIN_DATA"),
    "fewer sets": (cgats(GOOD, sets=5), 'NUMBER_OF_SETS is "5", but 4 samples follow'),
    "fields": (
        cgats(GOOD, "NUMBER_OF_FIELDS 12"),
        'NUMBER_OF_FIELDS is "12", but 37 fields are named',
    ),
    "row of another width": (
        cgats(with_cell(GOOD, "SAMPLE_NAME", 0, "P1 loose")).replace('"P1 loose"', "P1 loose"),
        "line 8: has 38 values where 37 fields are declared; put names with blanks into quotation",
    ),
    "open quotation": (
        cgats(GOOD).replace('"dark red"', '"dark red'),
        "line 10: a quotation mark is not closed",
    ),
    "utf-16": (cgats(GOOD).encode("utf-16"), "is UTF-16 text; save it as UTF-8"),
    "utf-16 csv": (csv(SHEET_COLUMNS).encode("utf-16"), "is UTF-16 text"),
    "binary": (bytes(range(256)), "is not a text file"),
    "old workbook": (bytes.fromhex("d0cf11e0a1b11ae1") + b"\0" * 99, "the old .xls form"),
    "gap in a spectrum": (
        cgats(with_cell(GOOD, "SPECTRAL_NM500", 1, ""), sep="\t"),
        "line 9, column SPECTRAL_NM500: the spectrum has a gap; measure again",
    ),
    "gap in the wavelengths": (
        csv({n: c for n, c in SHEET_COLUMNS.items() if n != "r500"}),
        "the wavelengths have a gap after 490 nm; export 400 to 700 nm",
    ),
    "out of order": (
        cgats(renamed(GOOD, SPECTRAL_NM500="SPECTRAL_NM510", SPECTRAL_NM510="SPECTRAL_NM500")),
        "column SPECTRAL_NM500: wavelengths must rise, but 500 nm follows 510 nm",
    ),
    "repeated wavelength": (
        cgats(renamed(GOOD, SPECTRAL_NM500="nm490")),
        "column nm490: 490 nm stands there twice, as SPECTRAL_NM490 and as nm490",
    ),
    "repeated field": (
        cgats(GOOD).replace("SPECTRAL_NM500", "SPECTRAL_NM490"),
        "the field SPECTRAL_NM490 stands there twice",
    ),
    "repeated column": (
        csv(SHEET_COLUMNS).replace("r500", "r490"),
        "row 1, column r490: the column stands there twice",
    ),
    "short range": (
        cgats(fields(nm=np.arange(430, 671, 10))),
        "the spectra cover 430 to 670 nm only; 400 to 700 nm are needed",
    ),
    "step": (cgats(fields(nm=np.arange(380, 731, 30))), "the wavelengths stand 30 nm apart"),
    "nan": (
        cgats(with_cell(GOOD, "SPECTRAL_NM500", 1, "nan")),
        'line 9, column SPECTRAL_NM500: "nan" is not a number',
    ),
    "inf": (csv(with_cell(SHEET_COLUMNS, "r500", 1, "inf")), '"inf" is not a number'),
    "1e999": (
        csv(with_cell(SHEET_COLUMNS, "r500", 1, "1e999")),
        'row 3, column r500: "1e999" is too large for a number',
    ),
    "negative": (
        csv(with_cell(SHEET_COLUMNS, "r500", 1, -0.2)),
        "row 3: a reflectance factor of -0.2 is outside -0.01 to 2",
    ),
    "no light": (csv(first_reading(0)), "row 2: the spectrum is 0 throughout"),
    "percent or fraction": (
        csv({"print_id": ["A"]} | {name: [3 * SHEET_COLUMNS[name][0]] for name in BANDS}),
        "may be fractions or percent; export Lab beside the spectra",
    ),
    "two scales": (
        csv(first_reading(100)),
        "row 2: the spectrum up to 82.9879 looks like percent and others like fractions",
    ),
    "two decimal marks": (
        csv(with_cell(SHEET_COLUMNS, "r500", 1, "0,25"), ";"),
        'row 3, column r500: "0,25" has a decimal comma, but',
    ),
    "decimal comma in a comma file": (
        "print_id,L,a,b\nA,50,5,-40,30\n",
        "has 5 cells under 4 column names",
    ),
    "no sample": (
        csv({n: c for n, c in SHEET_COLUMNS.items() if n != "print_id"}),
        "names no samples; export SAMPLE_NAME, SAMPLE_ID, or print_id",
    ),
    "empty sample": (
        csv(with_cell(SHEET_COLUMNS, "print_id", 1, "")),
        "row 3, column print_id: is empty",
    ),
    "signs that steer a terminal": (
        csv(with_cell(SHEET_COLUMNS, "print_id", 1, "P\x1b[2J")),
        "row 3, column print_id: ",
    ),
    "no colour": ("print_id,job_id\nA,B\n", "holds no reading with Lab or a spectrum"),
    "part of Lab": (
        "print_id,L,a\nA,50,20\n",
        "column L and a: stands there without the other of L, a, b",
    ),
    "Lab twice": (
        "print_id,L,a,b,L*\nA,50,20,10,50\n",
        "column L*: Lab l stands there twice, as L and as L*",
    ),
    "L too large": ("print_id,L,a,b\nA,120,20,10\n", "row 2, column L: 120 is outside 0 to 100"),
    "row without colour": ("print_id,L,a,b\nA,,,\n", "row 2: has no colour"),
    "part of a row": ("print_id,L,a,b\nA,50,,1\n", "row 2, column a: is empty beside filled ones"),
    "Lab of another light": (
        cgats(
            {"SAMPLE_ID": ["A"], "LAB_L": [50], "LAB_A": [10], "LAB_B": [10]},
            'ILLUMINANT "D65"\nOBSERVER "10"',
        ),
        "line 9: gives Lab for D65/10 without a spectrum; the shop uses D50/2",
    ),
    "Lab and spectrum": (
        csv(SHEET_COLUMNS | {"L": [50] * 4, "a": [0] * 4, "b": [0] * 4}),
        "dE00 apart under D50/2, and so in 3 more rows; export both from the same reading",
    ),
    "mixed illuminants": (
        "print_id,L,a,b,illuminant\nA,50,1,1,D50\nB,50,1,1,D65\n",
        "column illuminant: mixes illuminants, D50 and D65; export one condition a file",
    ),
    "mixed in the header": (
        cgats(GOOD, 'WEIGHTING_FUNCTION "D50"\nWEIGHTING_FUNCTION "D65"'),
        "column WEIGHTING_FUNCTION: declares several illuminants, D50 and D65",
    ),
    "mixed backings": (
        cxf(
            cxf_object("A", cxf_spectrum(SPECTRA[0], "w"))
            + cxf_object("B", cxf_spectrum(SPECTRA[1], "k")),
            cxf_spec("w") + cxf_spec("k", backing="Black"),
        ),
        "mixes backings, white and black",
    ),
    "date for a name": (
        workbook(with_cell(SHEET_COLUMNS, "print_id", 1, pd.Timestamp(2026, 3, 12))),
        "row 3, column print_id: 2026-03-12 is a date: Excel has changed a sample's name into it",
    ),
    "date for a decimal": (
        workbook(with_cell(SHEET_COLUMNS, "r500", 0, pd.Timestamp(2026, 5, 1))),
        "row 2, column r500: 2026-05-01 is a date: Excel has changed a decimal into it",
    ),
    "date in a csv name": (
        csv(with_cell(SHEET_COLUMNS, "print_id", 1, "12-Mar")),
        'row 3, column print_id: "12-Mar" is a date: a spreadsheet has changed the name',
    ),
    "date in a csv number": (
        csv(with_cell(SHEET_COLUMNS, "r500", 1, "01. Mai")),
        'row 3, column r500: "01. Mai" is a date where a number belongs',
    ),
    "number cut short": (
        csv(with_cell(SHEET_COLUMNS, "print_id", 1, "2.0260331E+11")),
        "is a number cut short by a spreadsheet",
    ),
    "zip bomb": (BOMB, "unpacks to more than 60 MB"),
    "too many cells": (bomb(b"<c/>" * 5_000_000), "holds more cells than any day's readings"),
    "lying zip bomb": (lying(BOMB), "is damaged: it cannot be unpacked"),
    "zip": (inside(workbook(SHEET_COLUMNS), {SHEET: b"<worksheet>"}), "its sheets cannot be read"),
    "cut workbook": (workbook(SHEET_COLUMNS)[:-300], "is damaged"),
    "entities in a workbook": (
        inside(workbook(SHEET_COLUMNS), {SHEET: HEAVY.encode() + b"<worksheet>&f;</worksheet>"}),
        "declares a document type inside",
    ),
    "entities": (cxf().replace("?>", "?>" + HEAVY, 1), "declares a document type or entities"),
    "external entity": (
        cxf().replace("?>", '?><!DOCTYPE a [<!ENTITY e SYSTEM "file:///etc/passwd">]>', 1),
        "declares a document type or entities",
    ),
    "deep": ("<a>" * 100_000, "elements are nested more than 50 deep"),
    "cut xml": (cxf()[:2000], "is not sound XML"),
    "latin xml": (cxf().replace("P1", "Grün").encode("latin-1"), "is not sound XML"),
    "unknown encoding": (cxf().replace("UTF-8", "x-none"), "in an encoding that cannot be read"),
    "other xml": ("<html><body/></html>", "is XML, but neither CxF3 nor samples with the keywords"),
    "cxf word": (cxf().replace("0.0", "0,x", 1), "object 'P1', column nm380: "),
    "cxf short": (
        cxf(cxf_object("A", cxf_spectrum(SPECTRA[0][:20]))),
        "the spectra cover 380 to 570 nm only",
    ),
    "cxf start": (cxf().replace(' StartWL="380">', ' StartWL="400">', 1), "two contradicting"),
    "cxf reference": (
        cxf().replace('ColorSpecification="M1"', 'ColorSpecification="M7"', 1),
        "object 'P1': the colour specification \"M7\" is not in the file",
    ),
    "cxf Lab": (cxf().replace("<cc:L>", "<cc:L>x", 1), "object 'P1', column LAB_L: "),
    "huge": (b"a,b\n" * 6_000_000, "is larger than 20 MB; split it"),
    "wide": (",".join(f"c{i}" for i in range(1200)) + "\n1\n", "has more than 1000 columns"),
    "long line": ("CGATS.17 " + "x " * 60_000, "line 1: is longer than 100000 signs"),
    "many lines": ("CGATS.17" + "\n" * 200_001, "has more than 200000 lines"),
    "many attributes": (
        "<a " + " ".join(f'a{i}=""' for i in range(1001)) + "/>",
        "has more than 1000 columns",
    ),
    "long tag": (
        "<a " + " ".join(f'a{i}=""' for i in range(110_000)) + "/>",
        "holds an element of more than 1 MB",
    ),
    "long number": (
        csv(with_cell(SHEET_COLUMNS, "r500", 1, "9" * 4000)),
        "is too large for a number",
    ),
    "long": ("print_id,L,a,b\n" + "A,5,5,5\n" * 20_001, "holds more than 20000 readings"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_is_refused_in_a_sentence(case, tmp_path):
    content, part = BAD[case]
    assert part in refused(tmp_path, content)


def test_what_is_no_file_is_refused(tmp_path):
    for path, part in ((tmp_path, "is a folder"), (tmp_path / "x.csv", "there is no such file")):
        with pytest.raises(UserError, match=part):
            read_measured(path, SHOP)
