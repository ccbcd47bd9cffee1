"""`start`: a first day."""

from __future__ import annotations

from pathlib import Path

from tests.commands.counter import says


def test_the_empty_tables_are_written_and_never_over_others(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert "its first sheet says what to do" in says(capsys, "start", "new")
    before = Path("new/shop.xlsx").read_bytes()
    assert "is there already" in says(capsys, "start", "new", code=2)
    assert Path("new/shop.xlsx").read_bytes() == before
    says(capsys, "start", "new", "--force")
    says(capsys, "start", "new", "--csv")
    assert Path("new/meshes.csv").read_text().startswith("mesh_id,threads_per_cm,thread_um")
