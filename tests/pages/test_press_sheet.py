"""The press sheet of a plan."""

from __future__ import annotations

from types import SimpleNamespace

from pipelines.ledger.incoming import read_sheet
from pipelines.pages.press_sheet import cautions, operations, write_sheet
from pipelines.registry.catalogue import Catalogue
from tests.small_demo import GARMENTS, small_shop


def test_the_sheet_lists_prints_that_record_can_read(small_plan, tmp_path):
    catalogue = Catalogue.of(small_shop())
    opened = SimpleNamespace(catalogue=catalogue, by="0001")
    listed = write_sheet(tmp_path / "job.html", small_plan, 1, opened, "Job <7>")
    setups, _ = read_sheet(listed)
    assert list(setups["print_id"]) == ["Job-<7>-1", "Job-<7>-2", "Job-<7>-3"]
    assert list(setups["substrate_id"]) == GARMENTS
    page = (tmp_path / "job.html").read_text()
    assert "Job &lt;7&gt;" in page
    assert "<7>" not in page
    called = catalogue.called("substrates")
    assert all(f"<b>{called[g]} ({g})</b>" in page for g in GARMENTS)
    assert "data sheet" in page


def test_order_of_work_and_cautions(small_plan):
    row = small_plan.lines.iloc[0].to_dict() | {"strokes": 3.0, "flash_count": 2.0}
    row |= {"base_on": ("G02",)}
    row |= {"underbase_ink_id": "U1", "underbase_mesh_id": "M43-80", "underbase_strokes": 2.0}
    called = {g: g for g in GARMENTS} | {"G02": "Black (G02)"}
    steps = operations(row, called, {"U1": "White base"})
    assert steps[0] == "Base on Black (G02): White base (U1) through M43-80, 2 strokes."
    assert sum(step.startswith("Flash") for step in steps) == 3
    assert "data sheet" in steps[1] and "with a swatch, not with a bare finger" in steps[1]
    assert any("G01, G04: no base" in step for step in steps)
    told = " ".join(cautions(80.0, {"G04": "blend", "G01": "cotton"}))
    assert "longer to cure" in told
    assert "G04: polyester dye migrates" in told
    assert "longer to cure" not in " ".join(cautions(20.0, {}))
