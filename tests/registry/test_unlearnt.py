"""What is told where a model answers that has not learnt all there is."""

from pipelines.registry.unlearnt import NONE


def test_prints_of_a_version_that_was_refused_are_counted_and_not_sent_to_learn_again():
    since = NONE._replace(new=["P1", "P2"])
    counted = since.notes(counted_here=True)
    assert counted == [
        "2 prints recorded since this model learnt: counted here; strikeoff learn takes them in "
        "for good."
    ]
    refused = since.notes(counted_here=True, tried="0004")
    assert len(refused) == 2
    assert "strikeoff models --use 0004 does that" in refused[0]
    assert refused[1] == "2 prints recorded since this model learnt: counted here."
    assert not any("strikeoff learn" in one for one in refused), "it would find nothing to do"
