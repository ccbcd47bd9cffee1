"""The worst measured files within the limits of size: seconds and memory until read or refused.

``python -m tests.benchmarks.limits``. Each file is read by a process of its own; *s* is its
processor time for the reading, *memory MB* how much more it then holds at most than before.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from tests.benchmarks.results import Report
from tests.measured.documents import (
    NM,
    SPECTRA,
    cgats,
    csv,
    cxf,
    cxf_lab,
    cxf_object,
    cxf_spec,
    cxf_spectrum,
    lab_of,
    workbook,
)  # fmt: skip

READ = """
import sys, time
from pathlib import Path
import defusedxml.ElementTree, openpyxl, scipy.interpolate
from learn.shop import ShopSettings
from pipelines.measured import read_measured
from pipelines.workspace.problems import UserError

def peak():
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) / 1000

before, start = peak(), time.process_time()
try:
    read_measured(Path(sys.argv[1]), ShopSettings("x"))
    became = "read"
except UserError:
    became = "refused"
print(time.process_time() - start, peak() - before, became)
"""
MODES = ("M0", "M1", "M2")
MOST = 19_500  # readings


def _conditions() -> str:
    lab = lab_of(SPECTRA)
    patches = [
        cxf_object(f"P{n}-{m}", cxf_spectrum(SPECTRA[n % 4], m) + cxf_lab(lab[n % 4], m))
        for n in range(1600)
        for m in MODES
    ]
    return cxf("".join(patches), "".join(cxf_spec(m, m) for m in MODES))


def _alternating() -> str:
    lab = lab_of(SPECTRA)
    objects = [cxf_object(f"P{n}", cxf_lab(lab[n % 4], f"S{n % 200}")) for n in range(MOST)]
    return cxf("".join(objects), "".join(cxf_spec(f"S{i}") for i in range(200)))


def _columns(name: str, n: int) -> dict[str, list[object]]:
    bands: dict[str, list[object]] = {
        name.format(nm): [round(0.03 + 0.6 * i / len(NM), 4)] * n for i, nm in enumerate(NM)
    }
    return {"SAMPLE_NAME": [f"P{i}" for i in range(n)], **bands}


_ONE = "BEGIN_DATA\nP1 50 20 30\nEND_DATA\n"
_FIELDS = "CGATS.17\nBEGIN_DATA_FORMAT\nSAMPLE_ID LAB_L LAB_A LAB_B\nEND_DATA_FORMAT\n"
FILES: dict[str, Callable[[], str | bytes]] = {
    "27,000 tables of one row": lambda: _FIELDS + _ONE * 27_000,
    "CGATS, most readings": lambda: cgats(_columns("SPECTRAL_NM{}", MOST)),
    "CxF, 1,600 patches in three conditions": _conditions,
    "CxF, objects alternating between 200 lights": _alternating,
    "CxF, most readings": lambda: cxf(
        "".join(cxf_object(f"P{n}", cxf_spectrum(SPECTRA[n % 4])) for n in range(MOST))
    ),
    "XML, deep": lambda: "<CxF>" + ("<a>" * 48 + "</a>" * 48) * 8_300 + "</CxF>",
    "CSV, 10 MB of one column": lambda: "L\n" + "50.123456\n" * 1_000_000,
    "CSV, most readings": lambda: csv(_columns("{} nm", MOST)),
    "workbook, most cells": lambda: workbook(_columns("{} nm", 4_300)),
    "workbook, too many cells": lambda: workbook(_columns("{} nm", MOST)),
}


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("limits", __doc__)
    report.parse(argv)
    rows: dict[str, dict[str, float | str]] = {}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "day.dat"
        for name, make in FILES.items():
            made = make()
            path.write_bytes(made if isinstance(made, bytes) else made.encode())
            done = subprocess.run(
                [sys.executable, "-c", READ, path], capture_output=True, text=True, check=True
            )
            seconds, memory, became = done.stdout.split()
            rows[name] = {"file MB": path.stat().st_size / 1e6, "s": float(seconds),
                          "memory MB": float(memory), "": became}  # fmt: skip
    report.table("Worst files", rows)
    report.record()
    return 0


if __name__ == "__main__":
    sys.exit(main())
