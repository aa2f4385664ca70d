"""The box on the first page: every caution and failure, repeats said once."""

from __future__ import annotations

import pytest

from tiltwright.job.message_kinds import NotReached, PartOffSquare, PlaneTurned
from tiltwright.job.message_wording import LONGEST_LIST, finding_words, message_words, operation_list
from tiltwright.job.warnings import alerts, grouped_sentences, job_messages
from tiltwright.output.messages import Message, Severity, as_shown, grouped, values_in
from tiltwright.sheet import typeset
from tiltwright.sheet.wording import NOTHING_CHECKED

from .conftest import HEAD
from .test_typeset import check_margins

UNSQUARED = HEAD.replace('square_up = "C"', "")


def test_a_sheet_without_tools_and_solids_says_first_that_nothing_was_checked(make):
    sheet = make(job=HEAD.replace('tip = [["z", 60.0], ["x", 35.0]]', "normal = [0, 0, 1]"))
    assert sheet.alerts == (NOTHING_CHECKED,)
    assert len(typeset.sheet_data(sheet, "a4")["alerts"]) == 1


def askew(off_deg: float, *about: str) -> Message[PartOffSquare]:
    return Message(Severity.WARNING, PartOffSquare(off_deg, None), about)


def test_equal_findings_are_joined_at_the_place_of_the_first():
    said = [
        askew(2.0, "chamfer"),
        *(askew(2.0, f"port {n}") for n in (1, 2)),
        askew(3.0, "port 3"),
        Message(Severity.INFO, PartOffSquare(2.0, None), ("port 4",)),
        askew(2.0),
        askew(2.0, "port 1"),
    ]
    assert grouped(said, lambda finding: finding) == (
        askew(2.0, "chamfer", "port 1", "port 2"),
        askew(3.0, "port 3"),
        Message(Severity.INFO, PartOffSquare(2.0, None), ("port 4",)),
        askew(2.0),
    )


def test_findings_are_equal_when_they_look_equal():
    """0.35004 and 0.35001 degrees both show as 0.3500; -0.00001 as 0.0000; kinds are never equal."""
    assert as_shown(PartOffSquare(0.35004, "C"), "mm") == as_shown(PartOffSquare(0.35001, "C"), "mm")
    assert as_shown(PartOffSquare(0.35006, "C"), "mm") != as_shown(PartOffSquare(0.35001, "C"), "mm")
    assert as_shown(PlaneTurned(-1e-5), "inch") == as_shown(PlaneTurned(0.0), "inch")
    assert as_shown(PlaneTurned(0.35), "mm") != as_shown(PartOffSquare(0.35, None), "mm")
    # A name that looks like a length stays a name.
    assert values_in(NotReached("ball 12 mm: 25.4 mm"), "inch") == {"why": "ball 12 mm: 25.4 mm"}


def test_neighbours_of_one_pattern_are_named_by_their_ends(work):
    operations = work(job=HEAD).operations
    names = ["chamfer", *(f"port {n}" for n in (1, 2, 3, 4, 6)), "face and bore"]
    assert operation_list(names, operations) == "face and bore, port 1 to port 4, port 6, chamfer"
    assert operation_list(["port 2", "underside"], operations) == "port 2, underside"


def test_a_name_that_begins_another_is_not_taken_for_it(work):
    job = HEAD.replace('name = "chamfer"', 'name = "port 1: rim"')
    operations = work(job=job).operations
    said = grouped([askew(2.0, "port 1: rim"), askew(2.0, "port 1")], lambda finding: finding)
    assert [message_words(one, operations, "mm").split(": the part")[0] for one in said] == [
        "port 1, port 1: rim"
    ]
    sentences = [("port 1: rim", "askew"), (None, "askew"), ("port 1", "askew"), ("port 2", "aslant")]
    assert grouped_sentences(sentences, operations) == (
        "port 1, port 1: rim: askew",
        "askew",
        "port 2: aslant",
    )


def test_a_long_list_of_names_becomes_one_of_the_sheets_numbers(work):
    blocks = "".join(
        f'[[operation]]\nname = "{"cable entry " * 5}{n}"\nat = {{ A = -{n}, C = 0 }}\n' for n in range(1, 5)
    )
    operations = work(job=HEAD + blocks).operations
    names = [one.placed.name for one in operations[8:]]
    assert sum(map(len, names)) > LONGEST_LIST
    assert operation_list(names, operations) == "operations 9 to 12"
    assert operation_list(names[1:2], operations) == names[1]


@pytest.mark.parametrize("job", [HEAD, UNSQUARED], ids=["squared up", "not squared up"])
def test_grouping_loses_no_message(work, job):
    evaluated = work(job=job)
    weighty = [one for one in job_messages(evaluated) if one.severity is not Severity.INFO]
    assert weighty
    shown = alerts(evaluated, "mm")
    assert len(shown) <= len(weighty)
    wanted = {finding_words(one.finding, "mm") for one in weighty}
    assert {next(words for words in wanted if one.endswith(words)) for one in shown} == wanted


@pytest.mark.parametrize("count", [1, 15])
def test_long_alerts_stay_on_the_paper(make, count):
    names = [
        f"cable entry {n}, drilled through to the bore and deburred inside and outside" for n in range(count)
    ]
    # each turned otherwise, so that none can be merged with another
    blocks = "".join(
        f'[[operation]]\nname = "{name}"\nat = {{ A = 0, C = {0.5 + 0.05 * n:.2f} }}\n'
        for n, name in enumerate(names)
    )
    job = UNSQUARED.split("[[operation]]", maxsplit=1)[0] + blocks
    sheet = make(job=job)
    assert len([words for words in sheet.alerts if "off square" in words]) == count
    check_margins(typeset.png_pages(sheet, ppi=60), "a4")
