"""`batch run`: the job's times against the clock, and what it says where they are not stated."""

import json

import pytest

HEAD = 'name = "Feet"\nunits = "mm"\nmachine = "teaching_mill.toml"\n'
NESTS = "".join(
    f'[[nest]]\nname = "{name}"\non = "platter"\n[[nest.step]]\nname = "{name} vice"\nup = 60.0\nshift = [{x}, 0.0]\n'
    for name, x in (("left", -40.0), ("right", 40.0))
)
FACE = '[[operation]]\nname = "face"\nat = { A = 0, C = 0 }\nminutes = 14.5\ntool = "mill"\n'
PORT = (
    '[[operation]]\nname = "port"\nat = { A = -30, C = 0 }\nrepeat = { count = 3, step = 90.0 }\nminutes = 9.0\n'
    'tool = "drill"\n'
)
MILL = '[[tool]]\nname = "mill"\nlength = 90.0\ndiameter = 50.0\n'
DRILL = '[[tool]]\nname = "drill"\nlength = 90.0\ndiameter = 6.0\nlife = "1.5 h"\n'
WEEK = '[batch]\nparts = 150\nhours = { Mon-Fri = "7:00-16:00" }\nstart = "2026-12-07 7:00"\n'


def report(run, path, *options):
    ended = run("batch", "run", path, "--json", *options)
    return ended.code, json.loads(ended.out)


def test_every_time_that_is_stated_is_counted(run, job, examples):
    mill = (examples / "teaching_mill.toml").read_text(encoding="utf-8")
    for letter, speed in (("A", 30.0), ("C", 60.0)):
        mill = mill.replace(f'letter = "{letter}"', f'letter = "{letter}"\nindex_speed = {speed}')
    text = HEAD + 'order = "by tilt"\n' + NESTS + FACE + PORT + MILL + DRILL + WEEK
    text += 'loading = "8 min"\nprobe_every = 40\nprobing = "4 min"\nunattended = "4 h"\n'
    path = job(text, mill)
    code, found = report(run, path)
    assert code == 0
    assert found["schema"] == "tiltwright.batch-run/1"
    assert (found["parts"], found["parts_per_platter"], found["platters"]) == (150, 2, 75)
    # A goes to -30 and back, 1 s each way, C 0, 90, 180 and back, 1.5 s a quarter turn: by tilt, both nests at once.
    order = json.loads(run("offsets", path, "--json").out)["order"]
    assert found["index_min"] * 60.0 == pytest.approx(order["index_s"])
    assert found["cutting_min"] == pytest.approx(14.5 + 3 * 9.0)
    cycle = 41.5 + (8.0 + found["index_min"]) / 2 + 4.0 / 40
    assert found["cycle_min"] == pytest.approx(cycle)
    assert found["parts_per_hour"] == pytest.approx(60.0 / cycle)
    assert found["running_min"] == pytest.approx(150 * 41.5 + 75 * (8.0 + found["index_min"]) + 3 * 4.0)
    assert [one["kind"] for one in found["not_counted"]] == ["tool life"]
    (drill,) = found["tools"]
    assert (drill["life_min"], drill["part_min"], drill["parts_an_edge"], drill["edges"]) == (
        90.0,
        27.0,
        3,
        50,
    )
    assert sum(day["parts"] for day in found["days"]) == 150
    assert found["finish"] == found["days"][-1]["done"]


def test_a_job_without_nests_or_a_batch_still_has_its_parts_an_hour(run, job):
    code, found = report(run, job(HEAD + FACE + PORT))
    assert code == 0
    assert found["parts_per_hour"] == pytest.approx(60.0 / 41.5)
    assert (found["parts"], found["finish"], found["index_min"]) == (None, None, None)
    kinds = [one["kind"] for one in found["not_counted"]]
    assert kinds == ["index moves", "loading", "re-probing", "parts", "hours"]
    text = run("batch", "run", job(HEAD + FACE + PORT)).out
    assert text.startswith("NOT COUNTED")


def test_options_go_before_the_job(run, job):
    path = job(HEAD + FACE + PORT + WEEK)
    _, found = report(run, path, "--parts", 12, "--start", "2026-12-05 9:00")
    assert (found["parts"], found["start"]) == (12, "2026-12-05T09:00")
    # A Saturday: it begins on Monday, 13 parts of 41.5 minutes fit into nine hours.
    assert found["finish"] == "2026-12-07T15:18:00"
    assert found["waits_until"] == "2026-12-07T07:00"
    told = run("batch", "run", path, "--parts", 12, "--start", "2026-12-05 9:00").out
    assert "closed Sat 2026-12-05 9:00" in told
    assert "Begun Mon 2026-12-07 7:00" in told
    assert report(run, path)[1]["waits_until"] is None
    _, typed = report(run, job(HEAD + FACE + PORT + WEEK.replace('"2026-12-07 7:00"', "2026-12-07T07:00:00")))
    assert typed["start"] == "2026-12-07T07:00"


@pytest.mark.parametrize(
    ("hours", "minutes"),
    [
        ('{ Monday = "22:00 - 6:00" }', {"Mon": [1320, 1800]}),
        ('{ sat-MON = "0:00-24:00" }', {day: [0, 1440] for day in ("Mon", "Sat", "Sun")}),
    ],
)
def test_hours_as_people_write_them(run, job, hours, minutes):
    _, found = report(run, job(HEAD + FACE + WEEK.replace('{ Mon-Fri = "7:00-16:00" }', hours)))
    assert {day: span for day, span in found["hours_min"].items() if span} == minutes


def test_what_cannot_be_done_is_a_no(run, job):
    ended = run("batch", "run", job(HEAD + FACE.replace("14.5", "600.0") + WEEK))
    assert ended.code == 1
    assert "10 h 00 min" in ended.err
    code, found = report(run, job(HEAD + PORT.replace("9.0", "60.0") + DRILL + WEEK))
    assert (code, found["possible"], found["tools"][0]["parts_an_edge"]) == (1, False, 0)
    assert (found["tools"][0]["edges"], len(found["failures"])) == (None, 1)
    ended = run("batch", "run", job(HEAD + FACE + WEEK), "--parts", 1_000_000)
    assert (ended.code, "ten years" in ended.err) == (1, True)


def test_a_platter_that_every_part_s_probing_makes_too_long_is_refused_as_such(run, job):
    often = 'per_platter = 4\nprobe_every = 1\nprobing = "150 min"\n'
    ended = run("batch", "run", job(HEAD + FACE + WEEK + often))
    assert (ended.code, "10 h 14 min" in ended.err, "ten years" in ended.err) == (1, True, False)


def test_an_edge_that_does_not_last_a_platter_is_a_caution(run, job):
    ended = run("batch", "run", job(HEAD + NESTS + PORT.replace("9.0", "20.0") + DRILL + WEEK))
    assert ended.code == 0
    assert "caution: an edge of drill lasts 1 of the 2 parts" in ended.out


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (FACE.replace("minutes = 14.5\n", "") + PORT, ["job.toml:4: operation 1, minutes", '"face"']),
        (NESTS + FACE + PORT.replace("minutes", 'nests = ["left"]\nminutes'), ["batch", "per_platter"]),
        (
            FACE + PORT.replace("drill", "reamer").replace('tool = "reamer"\n', "") + MILL + DRILL,
            ["tool 2, minutes"],
        ),
    ],
)
def test_what_is_not_stated_is_not_guessed(run, job, text, told):
    ended = run("batch", "run", job(HEAD + text))
    assert (ended.code, ended.out) == (2, "")
    assert all(words in ended.err for words in told), ended.err


@pytest.mark.parametrize("options", [("--start", "7 am"), ("--parts", "0"), ("--start", "2026-13-01 7:00")])
def test_options_that_cannot_be(run, job, options):
    assert run("batch", "run", job(HEAD + FACE + WEEK), *options).code == 2


def test_parts_on_a_platter_as_stated(run, job):
    """First side in one nest, second side in the other: one part is done when a platter is."""
    sides = FACE.replace("minutes", 'nests = ["left"]\nminutes') + PORT.replace(
        "minutes", 'nests = ["right"]\nminutes'
    )
    _, found = report(run, job(HEAD + NESTS + sides + WEEK + "per_platter = 1\n"))
    assert (found["cutting_min"], found["parts_per_platter"]) == (pytest.approx(41.5), 1)
