"""`status` as a user meets it."""

from __future__ import annotations

from learn.predict.model import ShiftModel
from pipelines.cli import main
from pipelines.registry import promotion, versions
from pipelines.registry.catalogue import Catalogue
from pipelines.registry.in_folder import InFolder
from tests.small_demo import small_model, small_shop
from tests.tiny_shop import write_shop


def test_status_screen(tmp_path, monkeypatch, capsys):
    write_shop(tmp_path / "tables")
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("STRIKEOFF_WORKSPACE", raising=False)
    assert main(["import", "tables", "--shop", "tiny"]) == 0
    capsys.readouterr()
    assert main(["status"]) == 0
    said = capsys.readouterr().out
    assert "Shop tiny: " in said
    assert "Last batch: 1, import" in said
    assert "none yet; strikeoff learn" in said
    versions.save(InFolder(tmp_path / "models" / "tiny"), {}, {}, {"validation": {}})
    assert main(["status"]) == 0
    assert "cannot be read by this version: strikeoff learn makes" in capsys.readouterr().out
    arrays, meta = small_model().to_state()
    facts = {"validation": small_model().validation_, "set_aside": [], "rows": {}}
    facts |= {"catalogue": Catalogue.of(small_shop()).facts(), "database_sha256": ""}
    versions.save(InFolder(tmp_path / "models" / "tiny"), arrays, meta, facts)
    given = small_shop()
    model = ShiftModel.from_state(arrays, meta)
    charge = promotion.Charge(model, "0002", "0002", {})
    monkeypatch.setattr(promotion, "opened", lambda *_: charge)
    for room in ("tables.folder", "registry.opened"):
        monkeypatch.setattr(f"pipelines.{room}.to_shop", lambda _: given)
    assert main(["status"]) == 0
    said = capsys.readouterr().out
    assert "Model 0002 in charge" in said
    assert "Drift" in said
    assert "What to print or measure next:" in said
    assert "nan" not in said
    assert len(said.splitlines()) <= 40
    assert max(map(len, said.splitlines())) <= 100
