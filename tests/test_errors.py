"""The error tree: what users see of a fault."""

from __future__ import annotations

import pytest

from hotchpot.errors import MOST_FAULTS_SHOWN, Fault, HotchpotError, InputError, NoAnswerError, nearest


def test_a_fault_says_where_what_and_how_to_mend() -> None:
    """A fault's text must be ``file:line column: what is wrong, what would be right``."""
    fault = Fault("pile.csv:4 capacity_ah", "'x' is not a number", "give 0.001 to 30000 Ah")
    assert str(fault) == "pile.csv:4 capacity_ah: 'x' is not a number, give 0.001 to 30000 Ah"


def test_an_input_error_carries_every_fault() -> None:
    """All faults must stay on the error, one line each, in order."""
    faults = [Fault(f"f:{n}", "wrong", "mend") for n in range(3)]
    error = InputError(iter(faults))
    assert error.faults == tuple(faults)
    assert str(error).splitlines() == [str(fault) for fault in faults]


def test_a_flood_of_faults_is_cut_short_but_counted() -> None:
    """Beyond the most that are shown, the text must say how many more there are, and keep them all."""
    error = InputError(Fault(f"f:{n}", "wrong", "mend") for n in range(MOST_FAULTS_SHOWN + 7))
    lines = str(error).splitlines()
    assert len(lines) == MOST_FAULTS_SHOWN + 1
    assert "7 more" in lines[-1]
    assert len(error.faults) == MOST_FAULTS_SHOWN + 7


def test_one_makes_a_single_fault() -> None:
    """The short form must equal the long one."""
    assert InputError.one("a", "b", "c").faults == (Fault("a", "b", "c"),)


@pytest.mark.parametrize("kind", [InputError, NoAnswerError])
def test_one_root_catches_all(kind: type[HotchpotError]) -> None:
    """Everything raised on purpose must be caught by the one root, and bad input is not a missing answer."""
    assert issubclass(kind, HotchpotError)
    assert not issubclass(InputError, NoAnswerError)
    assert not issubclass(NoAnswerError, InputError)


def test_a_near_word_is_offered() -> None:
    """A slip of the keyboard must get the word that was meant."""
    assert nearest("lead_amg", ["lead_agm", "lfp", "nmc"]) == "did you mean 'lead_agm'?"


def test_other_capitals_come_before_what_is_near() -> None:
    """The same letters in other capitals are what was meant, even where another word is as near."""
    assert nearest("a1", ["A11", "B1", "A1"]) == "did you mean 'A1'?"
    assert nearest(" LFP ", ["lfp", "lfp2"]) == "did you mean 'lfp'?"


def test_without_a_near_word_the_known_ones_are_listed() -> None:
    """A word like no other must get the list to choose from, cut where it would be long."""
    assert nearest("qqqq", ["lfp", "nmc"]) == "known are: lfp, nmc"
    assert nearest("qqqq", [f"w{n}" for n in range(30)]).endswith("w13 ...")
