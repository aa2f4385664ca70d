"""Sizes to cut before a coating, in `budget` and on the sheet."""

import json

import pytest

JOB = """
name = "Foot"
units = "{units}"
machine = "teaching_mill.toml"
coating = "0.012 mm"
coating_outward = 0.5
[[stack]]
name = "vice"
up = {up}
[[operation]]
name = "face"
at = {{ A = 0, C = 0 }}
[[feature]]
name = "bore"
operation = "face"
size = {bore}
coated = "inside"
[[feature]]
name = "boss"
operation = "face"
size = {boss}
coated = "outside"
[[feature]]
name = "place"
operation = "face"
"""
MM = {"units": "mm", "up": 60.0, "bore": 12.0, "boss": 30.0}
INCH = {"units": "inch", "up": 2.0, "bore": 0.5, "boss": 1.0}


@pytest.mark.parametrize("values", [MM, INCH])
def test_budget_has_the_sizes_in_the_unit_shown(run, job, values):
    found = json.loads(run("budget", job(JOB.format(**values)), "--json").out)["coating"]
    mm = 1.0 if values is MM else 25.4
    assert found["thickness"] == pytest.approx(0.012 / mm)
    bore, boss = found["sizes"]
    assert (bore["feature"], bore["size"], bore["cut"]) == (
        "bore",
        values["bore"],
        pytest.approx(values["bore"] + 0.012 / mm),
    )
    assert boss["cut"] == pytest.approx(values["boss"] - 0.012 / mm)


def test_text_and_sheet_have_them(run, job):
    path = job(JOB.format(**MM))
    for command in ("budget", "sheet"):
        told = run(command, path).out
        assert "12.0120" in told
        assert "29.9880" in told
    assert run("sheet", path, "-o", path.with_suffix(".pdf")).code == 0


def test_without_a_coating_nothing_is_said(run, job):
    text = JOB.format(**MM).replace('coating = "0.012 mm"\ncoating_outward = 0.5\n', "")
    path = job("\n".join(line for line in text.splitlines() if not line.startswith("coated")))
    assert json.loads(run("budget", path, "--json").out)["coating"] is None
    assert "oating" not in run("sheet", path).out
