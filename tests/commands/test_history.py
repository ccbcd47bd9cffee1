"""`history`: batches taken back and put back."""

from __future__ import annotations

from tests.commands.counter import GOOD, learnt_from, says, write


def test_history_and_taking_back(shop, capsys):
    says(capsys, "record", write("b.csv", GOOD))
    assert "brings it in again" in says(capsys, "history", "--take-back", "2", "--reason", "wrong")
    assert learnt_from() == ["P1", "P3"]
    assert "taken back" in says(capsys, "history")
    said = says(capsys, "record", "b.csv")
    assert "taken back; strikeoff history --put-back 2" in said
    assert "is taken back already" in says(capsys, "history", "--take-back", "2")
    says(capsys, "history", "--put-back", "2")
    assert learnt_from() == ["P1", "P3", "R1"]
    assert "only import" in says(capsys, "history", "--take-back", "1", code=2)
    assert "no batch 7" in says(capsys, "history", "--take-back", "7", code=2)
    assert "invalid int value" in says(capsys, "history", "--take-back", "x", code=2)
