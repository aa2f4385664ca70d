"""Reports to a watcher of a long calculation: one share that grows from 0 to 1, however deep the loops go."""

import pytest

from kinematics.progress import counted, report_progress, unwatched, watched


@pytest.fixture
def told():
    return []


@pytest.fixture
def watching(told):
    with watched(lambda what, share: told.append((what, share))):
        yield


@pytest.mark.usefixtures("watching")
def test_a_share_is_of_the_present_step(told):
    for _ in counted(range(4), "steps"):
        report_progress("trials", 0.5)
    assert told == [
        ("steps", 0.0), ("trials", 0.125), ("steps", 0.25), ("trials", 0.375),
        ("steps", 0.5), ("trials", 0.625), ("steps", 0.75), ("trials", 0.875),
    ]  # fmt: skip


@pytest.mark.usefixtures("watching")
def test_more_than_was_expected_is_all_of_it_and_less_than_nothing_is_nothing(told):
    for share in (1.7, -0.2):
        report_progress("trials", share)
    list(counted(iter("abc"), "letters", 2))
    assert [share for _, share in told] == [1.0, 0.0, 0.0, 0.5, 1.0]


@pytest.mark.usefixtures("watching")
def test_what_cannot_be_counted_or_is_nobody_s_business_is_not_told(told):
    assert list(counted(iter("ab"), "no length")) == ["a", "b"]
    assert list(counted([], "nothing")) == []
    with unwatched():
        report_progress("inside", 0.5)
        assert list(counted("ab", "inside")) == ["a", "b"]
    assert told == []
    report_progress("outside", 0.5)
    assert told == [("outside", 0.5)]


def test_without_a_watcher_nothing_happens():
    report_progress("trials", 0.5)
    assert list(counted("ab", "letters")) == ["a", "b"]


@pytest.mark.usefixtures("watching")
def test_a_loop_that_is_left_early_leaves_the_whole_as_it_was(told):
    """By its generator's end: what follows is of the whole again."""
    loop = counted("abcd", "letters")
    next(loop)
    loop.close()
    report_progress("after", 0.75)
    assert told[-1] == ("after", 0.75)
