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
    assert '"x" is no number of a batch' in says(capsys, "history", "--take-back", "x", code=2)


def test_a_file_brings_in_what_a_batch_since_taken_back_had_brought_of_it(shop, capsys):
    """Else a corrected file, recorded before that batch was taken back, would never get in."""
    says(capsys, "record", write("b.csv", GOOD.replace("45.4", "146")))
    says(capsys, "record", write("c.csv", GOOD, GOOD.replace("R1", "R3")))
    assert learnt_from() == ["P1", "P3", "R3"]
    says(capsys, "history", "--take-back", "2")
    assert "1 print to learn from, 1 known before" in says(capsys, "record", "c.csv")
    assert sorted(learnt_from()) == ["P1", "P3", "R1", "R3"]
    assert "c.csv was recorded before" in says(capsys, "record", "c.csv")
    for batch in ("3", "4"):
        says(capsys, "history", "--take-back", batch)
    assert "2 prints to learn from" in says(capsys, "record", "c.csv")
