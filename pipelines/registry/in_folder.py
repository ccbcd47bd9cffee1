"""The models of a shop in files: ``models/SHOP/0001/`` with arrays and JSON, `CURRENT`, and the
report card ``forecasts.jsonl``.

The card is a line a batch and version, only ever added to. Beside it lies its seal: how many
bytes of it are sound, and their SHA-256; what a killed program has added below is not sealed.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from pipelines.registry.sealed import (
    ARRAYS,
    CARD,
    CURRENT,
    FACTS,
    MAX_ARRAYS,
    MAX_CARD,
    MAX_FACTS,
    MAX_SHORT,
    OURS,
    SEAL,
    Named,
    Overtaken,
    bytes_of,
    checked,
    not_told,
    number_after,
    seal_for,
)
from pipelines.workspace.files import sweep, write_text
from pipelines.workspace.problems import Kind, UserError

WAITS = "TAKES-OVER"  # in a version judged worth it, until CURRENT names it
CARD_SEAL = "forecasts.sha256"


@dataclass(frozen=True)
class InFolder:
    """An `Archive` (see there) in files that may be looked at, copied and put back."""

    folder: Path

    def where(self, part: str = "") -> str:
        return str(self.folder / part)

    def names(self) -> list[str]:
        found = [p.name for p in self.folder.glob("[0-9]*") if OURS.fullmatch(p.name)]
        return sorted((name for name in found if (self.folder / name).is_dir()), key=int)

    def facts(self, name: str) -> bytes:
        return bytes_of(self.folder / name / FACTS, MAX_FACTS)

    def arrays(self, name: str, sha256: str) -> bytes:
        return checked(bytes_of(self.folder / name / ARRAYS, MAX_ARRAYS), sha256)

    def sealed(self, name: str) -> str:
        return bytes_of(self.folder / name / SEAL, MAX_SHORT).decode().strip()

    def current(self) -> Named | None:
        path = self.folder / CURRENT
        if not os.path.lexists(path) and self.waiting() == self.names():
            return None  # or the first is there, and its program was killed before it took over
        try:
            name, *seal = bytes_of(path, MAX_SHORT).decode("ascii").split()
        except FileNotFoundError:
            raise not_told(str(path), "is missing") from None
        except PermissionError:
            raise
        except (OSError, ValueError):
            raise not_told(str(path), "is damaged") from None
        if len(seal) > 1 or not OURS.fullmatch(name):
            raise not_told(str(path), "is damaged")
        return Named(name, seal[0] if seal else None)

    def mark(self) -> str:
        try:
            return bytes_of(self.folder / CURRENT, MAX_SHORT).decode("latin-1")
        except (OSError, ValueError):
            return ""

    def waiting(self) -> list[str]:
        return [name for name in self.names() if (self.folder / name / WAITS).exists()]

    def add(self, facts: bytes, arrays: bytes, *, charge: bool, mark: str | None = None) -> str:
        self._refuse_other(mark)
        self.folder.mkdir(parents=True, exist_ok=True)
        sweep(self.folder, ".new-*")
        fresh = Path(tempfile.mkdtemp(prefix=".new-", dir=self.folder))
        try:
            (fresh / ARRAYS).write_bytes(arrays)
            (fresh / FACTS).write_bytes(facts)
            if charge:
                (fresh / WAITS).touch()  # arrives with the version: a kill cannot come between
            fresh.chmod(0o755)
            name = self._take_next_number(fresh, facts)
        finally:
            shutil.rmtree(fresh, ignore_errors=True)
        if charge:
            self.put_in_charge(name)
        return name

    def _take_next_number(self, fresh: Path, facts: bytes) -> str:
        """Rename into the next version; one more where another program takes that number first."""
        while True:
            name = number_after(self.names())
            (fresh / SEAL).write_text(seal_for(name, facts) + "\n", encoding="ascii")
            try:
                os.rename(fresh, self.folder / name)
            except OSError:
                if not (self.folder / name).exists():
                    raise
            else:
                return name

    def put_in_charge(self, name: str, mark: str | None = None) -> str:
        self._refuse_other(mark)
        path = self.folder / CURRENT
        if os.path.lexists(path) and (path.is_symlink() or not path.is_file()):  # not ours: kept
            path.rename(self.folder / f"{CURRENT}.damaged-{datetime.now(UTC):%Y%m%dT%H%M%S}")
        text = f"{name} {seal_for(name, self.facts(name))}\n"
        write_text(path, text)
        for other in self.names():
            (self.folder / other / WAITS).unlink(missing_ok=True)
        return text

    def _refuse_other(self, mark: str | None) -> None:
        if mark is not None and mark != self.mark():
            raise Overtaken

    def card(self) -> bytes:
        path, seal = self.folder / CARD, self.folder / CARD_SEAL
        try:
            if not seal.exists():  # nothing yet, or what an earlier version of this program wrote
                return bytes_of(path, MAX_CARD) if path.exists() else b""
            size, digest = bytes_of(seal, MAX_SHORT).decode("ascii").split()
            data = bytes_of(path, MAX_CARD)
            checked(data[: int(size)], digest)
            if len(data) >= int(size):
                return data
        except PermissionError:
            raise
        except (OSError, ValueError):
            pass
        raise UserError(
            f"{path}: the report card is damaged, changed or missing; put back a copy of it and of "
            f"{CARD_SEAL}, or move both away to begin a new one.",
            Kind.DAMAGED,
        )

    def add_to_card(self, more: Callable[[bytes], list[str] | None]) -> bool:
        lines = more(self.card())
        if lines is None:
            return False
        self.folder.mkdir(parents=True, exist_ok=True)
        with (self.folder / CARD).open("ab+") as file:
            size = file.seek(0, os.SEEK_END)
            if size:
                file.seek(size - 1)
                if file.read(1) != b"\n":  # a program was killed within a line
                    file.write(b"\n")
            file.write("".join(f"{line}\n" for line in lines).encode())
            file.flush()
            os.fsync(file.fileno())
        data = (self.folder / CARD).read_bytes()
        digest = hashlib.sha256(data).hexdigest()
        write_text(self.folder / CARD_SEAL, f"{len(data)} {digest}\n")
        return True
