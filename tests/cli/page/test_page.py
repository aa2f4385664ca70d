"""The page of a job in a browser, as a setter, a student and an instructor use it."""

import base64
import json
import re

import numpy as np
import pytest

from tiltwright.job.evaluate import evaluate_job
from tiltwright.output import numbers

JOBS = ("tide_gauge_head", "mast_cap", "float_slots", "buoy_bracket")
SIZES = ((390, 844), (768, 1024), (1366, 768), (1920, 1080))

NASTY = """
name    = 'Head </script><script>document.title = "run"</script> & <!-- {{DATA}}'
units   = "mm"
machine = "teaching_mill.toml"

[[stack]]
name = '<img src="x" onerror="document.title = 1"> plate'
up   = 20.012

[[operation]]
name = '</title><b onclick="alert(1)">bore'
at   = { A = 0, C = 0 }
"""

OUT_OF_REACH = """
name    = "Tide-gauge foot"
units   = "mm"
machine = "teaching_mill.toml"

[[stack]]
name = "plate"
up   = 20.0

[[operation]]
name = "top"
at   = { A = 0, C = 0 }

[[operation]]
name   = "underside"
normal = [0.0, -0.5, -0.8660254037844386]
"""


def shown_offset(browser):
    return browser.js(
        "[...document.querySelectorAll('#offset dd')].map(e => e.textContent.replace('\\u2212', '-'))"
    )


def texts(browser, selector):
    return browser.js(f"[...document.querySelectorAll({json.dumps(selector)})].map(e => e.textContent)")


def focus(browser, selector):
    browser.js(f"document.querySelector({json.dumps(selector)}).focus()")


def type_in(browser, selector, text):
    focus(browser, selector)
    browser.js(f"document.querySelector({json.dumps(selector)}).select()")
    for letter in text:
        browser.key(letter, text=letter)


@pytest.mark.parametrize("name", JOBS)
def test_one_request_and_an_empty_console(opened, examples, name):
    browser = opened(examples / f"{name}.toml")
    assert [one.rsplit("/", 1)[1] for one in browser.requests()] == ["page.html"]
    picks = browser.js("document.getElementsByName('operation').length")
    for k in range(picks):
        browser.js(f"document.getElementsByName('operation')[{k}].click()")
    assert not browser.complaints()
    assert len(browser.requests()) == 1


@pytest.mark.parametrize("name", JOBS)
def test_the_sheet_s_own_digits(opened, examples, name):
    browser = opened(examples / f"{name}.toml")
    evaluated = evaluate_job(str(examples / f"{name}.toml"))
    for k, one in enumerate(evaluated.operations):
        browser.js(f"document.getElementsByName('operation')[{k}].click()")
        assert shown_offset(browser) == list(numbers.lengths(one.placed.offset_mm, evaluated.job.unit.value))
        assert browser.js("document.getElementById('state').hidden")


def test_the_gripper_holds_the_part_at_the_unloading_pose_only(opened, examples):
    browser = opened(examples / "sensor_feet.toml", "--nest", "left")
    drawn = "shownPage.content().bodies.map(one => one.solid.name)"
    browser.js("shownPage.shown.tool = false")
    everywhere = browser.js(drawn)
    picks = browser.js("document.getElementsByName('operation').length")
    browser.js(f"document.getElementsByName('operation')[{picks - 1}].click()")
    assert sorted(set(browser.js(drawn)) - set(everywhere)) == ["left jaw", "right jaw"]
    assert browser.js("document.getElementById('state').hidden")
    assert browser.js("document.getElementById('offset').hidden")
    type_in(browser, "#box0", "-12,5")
    assert browser.js(drawn) == everywhere
    assert not browser.js("document.getElementById('state').hidden")
    browser.js("document.getElementsByName('operation')[0].click()")
    assert {"left jaw", "right jaw"}.isdisjoint(browser.js(drawn))
    assert not browser.complaints()


def test_a_typed_angle_is_marked_as_not_the_operation_s(opened, examples):
    browser = opened(examples / "tide_gauge_head.toml")
    setup = evaluate_job(str(examples / "tide_gauge_head.toml")).setup
    type_in(browser, "#box0", "-12,5")
    assert "not what the operation loads" in browser.js("document.getElementById('state').textContent")
    assert not browser.js("document.getElementById('state').hidden")
    assert shown_offset(browser) == list(
        numbers.lengths(setup.work_offset([0.0, 0.0, 0.0], setup.machine_deg([-12.5, 0.0])), "mm")
    )


@pytest.mark.parametrize(
    ("typed", "words"),
    [("-130", "machine angle -130"), ("30.5", "machine angle 30.5"), ("x", "not an angle")],
)
def test_a_refused_angle_changes_nothing_and_says_why(opened, run, examples, typed, words):
    job = examples / "tide_gauge_head.toml"
    browser = opened(job)
    before = shown_offset(browser)
    type_in(browser, "#box0", typed)
    why = browser.js("document.getElementById('why0').textContent")
    assert words in why
    assert not browser.js("document.getElementById('why0').hidden")
    assert browser.js("document.getElementById('box0').getAttribute('aria-invalid')") == "true"
    if typed != "x":
        # The words of the command.
        assert why in run("offsets", job, "--at", f"A{typed}").err
    assert shown_offset(browser) == before
    assert browser.js("document.getElementById('state').hidden")


def test_every_control_by_keyboard(opened, examples):
    browser = opened(examples / "mast_cap.toml")
    wanted = browser.js(
        "[...document.querySelectorAll('button, input, canvas')].filter(e => e.offsetParent && !e.disabled)"
        ".map(e => e.type === 'radio' ? e.name : e.id || e.textContent || e.ariaLabel || e.value).filter((v, i, a) => a.indexOf(v) === i)"
    )
    seen = set()
    browser.js("document.activeElement.blur()")
    for _ in range(len(wanted) + 12):
        browser.key("Tab", number=9)
        seen.add(
            browser.js(
                "(e => e.type === 'radio' ? e.name : e.id || e.textContent || e.ariaLabel || e.value)(document.activeElement)"
            )
        )
    assert set(wanted) <= seen


def test_keys_turn_the_rotaries_and_walk_the_operations(opened, examples):
    browser = opened(examples / "tide_gauge_head.toml")
    browser.js("document.activeElement.blur()")
    for key, shift in (("a", True), ("A", True), ("c", False)):
        browser.key(key, text=key, shift=shift)
    assert browser.js("shownPage.program") == [-2, 1]
    browser.key("n", text="n")
    assert browser.js("shownPage.choice") == 1
    browser.key("s", text="s")
    browser.key(".", text=".")
    assert browser.js("shownPage.step") == 1
    browser.key("Escape", number=27)
    assert browser.js("shownPage.step") is None
    focus(browser, "#rotaries input[type=range]")
    browser.key("ArrowLeft", number=37)
    assert browser.js("shownPage.program[0]") == pytest.approx(-30.1, abs=1e-9)
    focus(browser, "#solid")
    turned = browser.js("shownPage.picture.eye.azimuth")
    browser.key("ArrowLeft", number=37)
    assert browser.js("shownPage.picture.eye.azimuth") != turned


def test_fingers_turn_and_pinch(opened, examples):
    browser = opened(examples / "buoy_bracket.toml", width=600, height=800)
    browser.size(600, 800, mobile=True)

    def touch(kind, *points):
        listed = [{"x": x, "y": y, "id": i} for i, (x, y) in enumerate(points)]
        browser.ask("Input.dispatchTouchEvent", type=kind, touchPoints=listed)

    start = browser.js("[shownPage.picture.eye.azimuth, shownPage.picture.eye.span]")
    touch("touchStart", (200, 260))
    touch("touchMove", (260, 260))
    touch("touchEnd")
    turned = browser.js("[shownPage.picture.eye.azimuth, shownPage.picture.eye.span]")
    assert turned[0] != start[0]
    assert turned[1] == start[1]
    touch("touchStart", (200, 260), (300, 260))
    touch("touchMove", (150, 260), (350, 260))
    touch("touchEnd")
    assert browser.js("shownPage.picture.eye.span") < 0.8 * turned[1]


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("large", [False, True])
def test_fits_from_phone_to_projector(opened, examples, width, height, large):
    browser = opened(examples / "float_slots.toml", width=width, height=height)
    if large:
        browser.js("document.getElementById('large').click()")
    for step in (False, True):
        browser.js(f"shownPage.toStep({3 if step else 'null'})")
        assert browser.js("document.documentElement.scrollWidth <= innerWidth")
        assert browser.js(
            "[...document.querySelectorAll('main, section, fieldset')].every(e => e.scrollWidth <= e.clientWidth + 1)"
        )
        small = browser.js(
            "[...document.querySelectorAll('button, .picks label, input[type=range], input[type=text]')]"
            ".filter(e => e.offsetParent).map(e => [e.textContent || e.id, e.offsetWidth, e.offsetHeight])"
            ".filter(([, w, h]) => h < 44 || w < 44)"
        )
        assert not small


def test_prints_two_pages(opened, examples):
    for name in JOBS:
        browser = opened(examples / f"{name}.toml", width=1280, height=800)
        for paper in ((8.27, 11.69), (8.5, 11.0)):
            printed = browser.ask("Page.printToPDF", paperWidth=paper[0], paperHeight=paper[1])["data"]
            assert len(re.findall(rb"/Type\s*/Page\b", base64.b64decode(printed))) == 2


def test_names_never_become_markup(browser, run, job, tmp_path):
    path = tmp_path / "page.html"
    assert run("page", job(NASTY), "-o", path).code == 0
    browser.open(path)
    assert browser.js("document.getElementById('title').textContent").startswith("Head </script><script>")
    assert browser.js("document.title").startswith("Head </script>")
    assert browser.js("document.querySelectorAll('img, b[onclick]').length") == 0
    assert texts(browser, "#picks span") == ['G54 </title><b onclick="alert(1)">bore']
    browser.js("shownPage.shown.stack = true; shownPage.picture.paintNow(1)")
    assert any('<img src="x"' in one for one in texts(browser, "svg text"))
    assert not browser.complaints()


def test_the_policy_stops_what_is_not_the_page_s_own(opened, examples):
    browser = opened(examples / "buoy_bracket.toml")
    browser.js(
        "document.body.append(Object.assign(document.createElement('script'), {textContent: 'document.title = 1'}))"
    )
    browser.js(
        "document.body.append(Object.assign(document.createElement('img'), {src: 'https://example.invalid/x.png'}))"
    )
    assert browser.js("document.title") != "1"
    assert browser.js("fetch('https://example.invalid/').then(() => 'sent', () => 'stopped')") == "stopped"
    assert len(browser.complaints()) >= 3
    assert all("Content Security Policy" in json.dumps(one) for one in browser.complaints())


def test_names_for_whoever_listens(opened, examples):
    browser = opened(examples / "tide_gauge_head.toml")
    nodes = browser.ask("Accessibility.getFullAXTree")["nodes"]
    named = {
        (n["role"]["value"], n.get("name", {}).get("value"))
        for n in nodes
        if n.get("role") and not n.get("ignored")
    }
    assert {
        ("slider", "A, program angle"),
        ("textbox", "A"),
        ("button", "A one degree less"),
        ("button", "Enlarge"),
    } <= named
    mute = [
        n["role"]["value"]
        for n in nodes
        if n.get("role", {}).get("value") in {"button", "slider", "textbox", "radio", "checkbox"}
        and not n.get("name", {}).get("value")
    ]
    assert not mute
    browser.js("shownPage.choose(1)")
    assert browser.js(
        "new Promise(done => setTimeout(() => done(document.getElementById('told').textContent), 600))"
    ).startswith("upper port 1")


def test_out_of_reach_shows_why_and_the_nearest_pose(browser, run, job, tmp_path):
    path = tmp_path / "page.html"
    ended = run("page", job(OUT_OF_REACH), "-o", path)
    assert ended.code == 1
    assert path.is_file()
    browser.open(path)
    browser.js("document.getElementsByName('operation')[1].click()")
    said = browser.js("document.getElementById('loads').innerText")
    assert "FAIL: not reached" in said
    assert "limits are -120 to 30" in said
    assert browser.js("document.getElementById('offset').hidden")
    assert not browser.js("document.getElementById('steps').offsetParent")
    # The nearer of both ways: A at its lower limit leaves 30 degrees, not 90.
    found = browser.js("shownPage.page.unreached[0]")
    assert found["machine"][0] == -120
    assert found["left_deg"] == pytest.approx(30.0, abs=0.01)
    # The table of all operations never lists an offset for it.
    assert "FAIL underside" in browser.js("document.getElementById('all').textContent")


@pytest.mark.parametrize("options", [[], ["--by-hand"]])
def test_the_working_is_explain_s_line_by_line(opened, run, examples, options):
    job = examples / "tide_gauge_head.toml"
    browser = opened(job, *options)
    explained = json.loads(run("explain", job, "--json", *options).out)["operations"]
    choice = 5
    found = browser.js(
        f"(shownPage.choose({choice}), shownPage.steps.map(s => [s.rule, s.formula, s.frame, s.written]))"
    )
    assert found == [
        [line["rule"], line["formula"], line["frame"], [one["written"] for one in line["calculations"]]]
        for line in explained[choice]["lines"]
    ]
    browser.js("document.getElementById('steps').click()")
    for number in range(1, len(found) + 1):
        assert f"line {number} of {len(found)}" in browser.js("document.getElementById('wh').textContent")
        browser.js("document.getElementById('next').click()")
    assert browser.js("document.getElementById('next').disabled")
    assert not browser.complaints()


def test_the_table_stands_in_each_step_as_the_working_says(opened, examples):
    """At every "back" line the drawn origin is the point that the line ends with."""
    browser = opened(examples / "tide_gauge_head.toml")
    evaluated = evaluate_job(str(examples / "tide_gauge_head.toml"))
    from tiltwright.teaching.workings import workings_of

    for choice, (_, working) in enumerate(workings_of(evaluated, by_hand=False)):
        for number, line in enumerate(working.lines):
            if line.key.endswith(" back") or line.key in ("all-zero", "offset"):
                at = browser.js(
                    f"(shownPage.choose({choice}), shownPage.toStep({number}), shownPage.now.origin)"
                )
                np.testing.assert_allclose(at, line.result, rtol=0.0, atol=1e-9)
        swings = browser.js(
            "shownPage.steps.map(s => s.about.swing).filter((s, i, a) => s && a.findIndex(o => o && o.turn_deg === s.turn_deg) === i)"
        )
        for swing, found in zip(working.swings, swings, strict=True):
            np.testing.assert_allclose(found["before"], swing.before_mm, rtol=0.0, atol=1e-9)
            np.testing.assert_allclose(found["after"], swing.after_mm, rtol=0.0, atol=1e-9)
            assert found["turn_deg"] == pytest.approx(swing.turn_deg, abs=1e-12)


def test_looking_from_the_positive_end_counterclockwise_is_counterclockwise(opened, examples):
    browser = opened(examples / "float_slots.toml")
    for i in range(2):
        # A right-handed turn about the line runs counterclockwise on the screen, where y points down.
        area = browser.js(
            f"""(() => {{ const p = shownPage.picture, a = shownPage.now.arms[{i}]; p.eye.from(a.direction);
            const at = p.eye.projector(800, 600), [u, v] = across(a.direction);
            const [o, x, y] = [a.point, plus(a.point, u, 50), plus(a.point, v, 50)].map(at);
            return (x[0] - o[0]) * (y[1] - o[1]) - (x[1] - o[1]) * (y[0] - o[0]); }})()"""
        )
        assert area < 0


def test_somebody_s_wrong_origin_and_the_mistake_named(opened, examples, tmp_path):
    job = examples / "tide_gauge_head.toml"
    setup = evaluate_job(str(job)).setup
    # A turned the wrong way at "upper port 2", and "upper port 3" right.
    one, other = (evaluate_job(str(job)).operations[k].placed for k in (2, 3))
    wrong = setup.work_offset(one.origin_mm, one.machine_deg * [-1.0, 1.0])
    rows = [(one.name, wrong), (other.name, other.offset_mm)]
    lines = [
        f"{name},{axis},{numbers.length(v, 'mm')}"
        for name, point in rows
        for axis, v in zip("XYZ", point, strict=True)
    ]
    answers = tmp_path / "answers.csv"
    answers.write_text("operation,axis,value_mm\n" + "\n".join(lines) + "\n")
    browser = opened(job, "--answers", answers, code=1)
    browser.js("shownPage.choose(2); shownPage.picture.paintNow(1)")
    ghost = browser.js("document.getElementById('ghost').textContent")
    assert "A's sense reversed" in ghost
    assert any("answered" in text and "sense" in text for text in texts(browser, "svg text"))
    browser.js("shownPage.choose(3); shownPage.picture.paintNow(1)")
    assert "Right." in browser.js("document.getElementById('ghost').textContent")
    assert not any("answered" in text for text in texts(browser, "svg text"))
    browser.js("shownPage.choose(0)")
    assert "Nothing was answered" in browser.js("document.getElementById('ghost').textContent")
