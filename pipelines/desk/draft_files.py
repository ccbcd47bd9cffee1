"""Drafts as files of a shop: a restart of the page, or another browser, finds them again.

One JSON file a draft, written beside and then renamed; nothing in it names a path or is run. What
a client asks for is looked for among the names that are there.
"""

from __future__ import annotations

import json
import os
import secrets
from collections.abc import Mapping
from contextlib import AbstractContextManager
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pandas as pd

from pipelines.desk.drafts import Answer, Changed, Draft
from pipelines.desk.words import words
from pipelines.ledger.incoming import Called, Incoming
from pipelines.workspace.alone import alone
from pipelines.workspace.files import read_at_most, write_text
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import Kind, UserError

FOLDER, LOCK, SUFFIX = "drafts", ".drafts-lock", ".json"
MOST = 40  # of a shop; beyond, the one that was not looked at for longest goes
MOST_BYTES = 200_000_000  # what 20 MB of readings take as text cells, and far more


class Drafts:
    """The drafts of a shop, each by a name that cannot be guessed."""

    def __init__(self, workspace: Workspace, shop: str) -> None:
        self._folder = workspace.root / "datasets" / shop / FOLDER

    def put(self, draft: Draft) -> str:
        """Hold a new draft; its name."""
        name = secrets.token_urlsafe(12)
        with self._alone():
            write_text(self._folder / f"{name}{SUFFIX}", text_of(draft))
            there = sorted(self._there().values(), key=lambda path: path.stat().st_mtime_ns)
            for old in there[:-MOST]:
                old.unlink()
        return name

    def get(self, name: str) -> Draft:
        """A draft; raises UserError where there is none, or none any more."""
        with self._alone():
            return self._read(name)

    def change(self, name: str, draft: Draft, mark: str) -> None:
        """Put ``draft`` in the place of the one of that ``mark``; raises Changed if it is gone."""
        with self._alone():
            if name not in self._there() or self._read(name).mark != mark:
                raise Changed
            write_text(self._there()[name], text_of(draft))

    def drop(self, name: str) -> None:
        """Forget a draft."""
        with self._alone():
            if name in (there := self._there()):
                there[name].unlink()

    def _alone(self) -> AbstractContextManager[None]:
        return alone(self._folder.parent / LOCK, lambda: None)

    def _there(self) -> dict[str, Path]:
        return {path.stem: path for path in self._folder.glob(f"*{SUFFIX}")}

    def _read(self, name: str) -> Draft:
        gone = UserError(words().measured.gone, Kind.MISSING)
        path = self._there().get(name)
        if path is None:
            raise gone
        try:
            draft = draft_of(read_at_most(path, MOST_BYTES).decode())
        except (ValueError, KeyError, TypeError, AttributeError):  # of another version, damaged
            raise gone from None
        os.utime(path)
        return draft


def text_of(draft: Draft) -> str:
    """A draft as JSON."""
    incoming = vars(draft.incoming) | {
        "tables": {name: _cells(frame) for name, frame in draft.incoming.tables.items()},
        "place": list(draft.incoming.place.items()),
        "called": asdict(draft.incoming.called),
    }
    answers = [asdict(answer) for answer in draft.answers]
    return json.dumps(vars(draft) | {"incoming": incoming, "answers": answers})


def draft_of(text: str) -> Draft:
    """The draft of :func:`text_of`; raises KeyError, TypeError or ValueError for anything else."""
    told = json.loads(text)
    incoming = told["incoming"]
    aims = {str(one): (str(aim), str(within)) for one, (aim, within) in incoming["aims"].items()}
    incoming |= {
        "tables": {str(name): _frame(cells) for name, cells in incoming["tables"].items()},
        "place": {int(row): str(where) for row, where in incoming["place"]},
        "called": Called(**incoming["called"]),
        "aims": aims,
    }
    answers = [one | {"print_ids": tuple(one["print_ids"])} for one in told["answers"]]
    return Draft(
        **told
        | {
            "incoming": Incoming(**incoming),
            "notes": tuple(told["notes"]),
            "answers": tuple(Answer(**one) for one in answers),
        }
    )


def _cells(frame: pd.DataFrame) -> dict[str, Any]:
    return {
        "columns": frame.columns.tolist(),
        "rows": frame.index.tolist(),
        "cells": frame.to_numpy(object).tolist(),
    }


def _frame(told: Mapping[str, Any]) -> pd.DataFrame:
    rows = pd.Index(told["rows"], dtype="int64")
    return pd.DataFrame(told["cells"], rows, told["columns"], dtype=object)
