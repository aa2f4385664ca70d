"""The box on the first page: every weighty remark, repeats told once."""

from __future__ import annotations

import re

import pytest

from tiltwright.job.warnings import LONGEST_LIST, Weight, alerts, merged, remarks
from tiltwright.sheet import typeset

from .conftest import HEAD
from .test_typeset import check_margins

UNSQUARED = HEAD.replace('square_up = "C"', "")


def test_a_sheet_without_weighty_remarks_has_no_box(make):
    sheet = make(job=HEAD.replace('tip = [["z", 60.0], ["x", 35.0]]', "normal = [0, 0, 1]"))
    assert sheet.alerts == ()
    assert typeset.sheet_data(sheet, "a4")["alerts"] == []


def test_what_is_the_same_of_neighbouring_repeats_is_told_once(work):
    worked = work(job=HEAD)
    said = [f"port {n}: stands askew" for n in (1, 2, 3, 4, 6)] + ["port 5: stands aslant", "of the job"]
    assert merged(["chamfer: stands askew", *said, "face and bore: stands askew"], worked.operations) == (
        "face and bore, port 1 to port 4, port 6, chamfer: stands askew",
        "port 5: stands aslant",
        "of the job",
    )


def test_a_name_that_begins_another_is_not_taken_for_it(work):
    job = HEAD.replace('name = "chamfer"', 'name = "port 1: rim"')
    assert merged(["port 1: rim: askew", "port 1: askew"], work(job=job).operations) == (
        "port 1, port 1: rim: askew",
    )


def test_a_long_list_of_names_becomes_one_of_the_sheets_numbers(work):
    blocks = "".join(
        f'[[operation]]\nname = "{"cable entry " * 5}{n}"\nat = {{ A = -{n}, C = 0 }}\n' for n in range(1, 5)
    )
    worked = work(job=HEAD + blocks)
    names = [one.placed.name for one in worked.operations[8:]]
    assert sum(map(len, names)) > LONGEST_LIST
    assert merged([f"{name}: askew" for name in names], worked.operations) == ("operations 9 to 12: askew",)
    assert merged([f"{names[1]}: askew"], worked.operations) == (f"{names[1]}: askew",)


@pytest.mark.parametrize("job", [HEAD, UNSQUARED], ids=["squared up", "not squared up"])
def test_merging_loses_no_remark(work, job):
    worked = work(job=job)
    weighty = [one.words for one in remarks(worked, "mm") if one.weight is not Weight.NOTE]
    told = alerts(worked, "mm")
    assert len(told) <= len(weighty)
    tails = {re.sub(r"^(face and bore|port \d|chamfer): ", "", words) for words in weighty}
    assert {next(tail for tail in tails if words.endswith(tail)) for words in told} == tails


@pytest.mark.parametrize("count", [1, 15])
def test_long_remarks_stay_on_the_paper(make, count):
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
