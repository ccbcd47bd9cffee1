"""What the tests of the daily commands share: a batch, its file, what a command says."""

from __future__ import annotations

from pathlib import Path

from pipelines.cli import main
from pipelines.ledger import store
from pipelines.tables.folder import to_shop

HEADER = "print_id,substrate_id,ink_id,mesh_id,strokes,flash_count,L,a,b\n"
GOOD = "R1,tee-black,007,77-55,1,0,45.4,59.8,34.6\n"

DATABASE = Path("datasets/tiny/shop.db")


def write(name: str, *rows: str, header: str = HEADER) -> str:
    Path(name).write_text(header + "".join(rows), encoding="utf-8")
    return name


def says(capsys, *command: str, code: int = 0) -> str:
    assert main(list(command)) == code
    said = capsys.readouterr()
    assert "Traceback" not in said.err
    if code:
        assert len(said.err.strip().splitlines()) == 1, said.err
    return said.err if code else said.out + said.err


def learnt_from() -> list[str]:
    return to_shop(store.read(DATABASE)).prints["print_id"].tolist()
