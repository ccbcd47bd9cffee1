"""The report card file."""

from __future__ import annotations

import pandas as pd
import pytest

from pipelines.registry import report_card
from pipelines.registry.in_folder import CARD_SEAL, InFolder
from pipelines.registry.sealed import CARD
from pipelines.workspace.problems import UserError
from tests.assessment.test_forecasts import simulated


def test_a_report_card_only_grows_and_outlives_a_killed_program(tmp_path):
    assert report_card.read(InFolder(tmp_path)) == []
    record = report_card.Record("0001", True, "0001", simulated(3, 0), {"P0": 2**63 + 1}, 1)
    report_card.add(InFolder(tmp_path), [record])
    path = tmp_path / CARD
    whole = path.read_bytes()
    path.write_bytes(whole + whole[: len(whole) // 2])
    report_card.add(InFolder(tmp_path), [record])
    assert path.read_bytes().startswith(whole)
    back = report_card.read(InFolder(tmp_path))
    assert [r.marks for r in back] == [record.marks] * 2
    pd.testing.assert_frame_equal(back[1].forecasts, record.forecasts.round(6), check_dtype=False)
    path.write_text(path.read_text().replace('"form": 1', '"form": 9'))
    with pytest.raises(UserError, match="damaged, changed or missing"):
        report_card.read(InFolder(tmp_path))
    (tmp_path / CARD_SEAL).unlink()  # which an earlier version did not write
    with pytest.raises(UserError, match="form 9"):
        report_card.read(InFolder(tmp_path))
