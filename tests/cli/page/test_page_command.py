"""The commands that write pages: what they refuse, what they write, and the contract's schema."""

import base64
import json
import re
import shutil
import struct

import numpy as np
import pytest

from kinematics import point_coefficients
from tiltwright.job.evaluate import evaluate_job
from tiltwright.page.contract import MOST_TRIANGLES
from tiltwright.reach.collision_model import build_collision_model

HEAD = """
name    = "Tide-gauge foot"
units   = "mm"
machine = "teaching_mill.toml"

[[stack]]
name = "plate"
up   = 20.0
"""
TOP = """
[[operation]]
name = "top"
at   = { A = 0, C = 0 }
"""


def data_of(path):
    """The contract inside a page."""
    (found,) = re.findall(
        r'<script type="application/json" id="data">(.*?)</script>', path.read_text("utf-8"), re.DOTALL
    )
    return json.loads(found)


def stl_of(vertices, triangles):
    """A binary STL."""
    corners = vertices[triangles].astype("<f4")
    rows = b"".join(struct.pack("<3f", 0, 0, 0) + one.tobytes() + b"\0\0" for one in corners)
    return b"\0" * 80 + struct.pack("<I", len(triangles)) + rows


def ball(n):
    """A closed ball with 2 n (n - 1) triangles."""
    theta, phi = np.meshgrid(
        np.linspace(0, np.pi, n + 1)[1:-1], np.linspace(0, 2 * np.pi, n, endpoint=False), indexing="ij"
    )
    ring = 30 * np.stack(
        [np.sin(theta) * np.cos(phi), np.sin(theta) * np.sin(phi), np.cos(theta)], -1
    ).reshape(-1, 3)
    vertices = np.concatenate([ring, [[0, 0, 30.0], [0, 0, -30.0]]])
    i, j = np.meshgrid(np.arange(n - 2), np.arange(n), indexing="ij")
    a, b, c, d = i * n + j, (i + 1) * n + j, (i + 1) * n + (j + 1) % n, i * n + (j + 1) % n
    last, k = (n - 2) * n, np.arange(n)
    caps = [
        np.stack([np.full(n, len(ring)), k, (k + 1) % n], -1),
        np.stack([np.full(n, len(ring) + 1), last + (k + 1) % n, last + k], -1),
    ]
    return vertices, np.concatenate(
        [np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3), *caps]
    )


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ([], "--output"),
        (["-o", "page.pdf"], ".html"),
        (["-o", "page.html", "--only", "prt"], "no operation"),
        (["-o", "page.html", "--answers", "none.csv"], "none.csv"),
    ],
)
def test_what_is_refused_writes_nothing(run, job, tmp_path, monkeypatch, options, words):
    path = job(HEAD + TOP)
    monkeypatch.chdir(tmp_path)
    ended = run("page", path, *options)
    assert ended.code == 2
    assert words in ended.err
    assert not list(tmp_path.glob("page.*"))


def test_a_file_that_is_there_is_kept(run, job, tmp_path):
    path = tmp_path / "page.html"
    path.write_text("mine")
    ended = run("page", job(HEAD + TOP), "-o", path)
    assert ended.code == 2
    assert "--force" in ended.err
    assert path.read_text() == "mine"
    assert run("page", job(HEAD + TOP), "-o", path, "--force").code == 0
    assert path.read_text("utf-8").startswith("<!DOCTYPE html>")


def test_a_part_zero_touched_off_too_far_away_gets_no_page(run, job, tmp_path):
    touched = '[touched]\nX = -381.0\nY = -203.4\nZ = -100.0\npose = { A = 0, C = 0 }\nuse = "touched"\n'
    ended = run("page", job(HEAD + touched + TOP), "-o", tmp_path / "page.html")
    assert ended.code == 1
    assert not (tmp_path / "page.html").exists()


def test_the_contract_has_a_schema_and_the_library_s_coefficients(run, examples):
    ended = run("page", examples / "tide_gauge_head.toml", "--json")
    assert ended.code == 0
    page = json.loads(ended.out)
    assert page["schema"] == "tiltwright.page/1"
    assert page["units"] == "mm"
    evaluated = evaluate_job(str(examples / "tide_gauge_head.toml"))
    setup = evaluated.setup
    for one, shown in zip(evaluated.operations, page["operations"], strict=True):
        point = setup.part_in_machine.apply(one.placed.origin_mm)
        assert shown["carried"] == point_coefficients(setup.machine, point).tolist()
        assert shown["machine"] == one.placed.machine_deg.tolist()


def test_the_gripper_of_the_contract_is_the_one_that_reach_checks(run, examples):
    path = examples / "sensor_feet.toml"
    sent = json.loads(run("page", path, "--nest", "right", "--json").out)["unloading"]
    checked = build_collision_model(evaluate_job(str(path), nest="right"))
    assert sent["machine"] == checked.unloading.machine_deg.tolist()
    held = checked.model.frame(checked.unloading.gripper[0].on)
    assert [one["name"] for one in sent["bodies"]] == [one.name for one in checked.unloading.gripper]
    for one, solid in zip(sent["bodies"], checked.unloading.gripper, strict=True):
        assert [one["shape"]["low"], one["shape"]["high"]] == [
            solid.shape.low_mm.tolist(),
            solid.shape.high_mm.tolist(),
        ]
        assert one["pose"] == np.column_stack([held.rotation, held.translation_mm]).tolist()
    assert json.loads(run("page", examples / "mast_cap.toml", "--json").out)["unloading"] is None


def test_the_page_holds_the_contract_and_is_the_same_each_time(run, examples, tmp_path):
    first, second = tmp_path / "1.html", tmp_path / "2.html"
    for path in (first, second):
        assert run("page", examples / "mast_cap.toml", "-o", path).code == 0
    assert first.read_bytes() == second.read_bytes()
    assert data_of(first) == json.loads(run("page", examples / "mast_cap.toml", "--json").out)


def test_the_example_s_page_is_small(run, examples, tmp_path):
    path = tmp_path / "page.html"
    assert run("page", examples / "tide_gauge_head.toml", "-o", path).code == 0
    assert path.stat().st_size <= 100_000


def test_inches_and_one_pattern(run, examples):
    page = json.loads(
        run(
            "page", examples / "tide_gauge_head.toml", "--json", "--units", "inch", "--only", "upper port"
        ).out
    )
    assert (page["symbol"], page["unit_mm"], page["decimals"]) == ("in", 25.4, 4)
    assert [one["name"] for one in page["operations"]] == [f"upper port {k}" for k in range(1, 5)]


def test_solids_stand_where_the_job_puts_them(run, examples):
    page = json.loads(run("page", examples / "mast_cap.toml", "--json").out)
    kinds = {body["name"]: (body["kind"], body["carried"]) for body in page["bodies"]}
    assert kinds["cap blank"] == ("part", 2)
    assert kinds["tube standoff"] == ("turning", 2)
    assert ("base", 0) in kinds.values()
    assert {tool["name"] for tool in page["tools"]} == {"16 mm end mill", "5 mm drill", "8 mm end mill"}
    assert page["assumed"] == []


def test_a_large_mesh_is_simplified_and_said(run, job, tmp_path):
    (tmp_path / "ball.stl").write_bytes(stl_of(*ball(140)))
    mesh = '[[solid]]\nname = "float ball"\non = "plate"\nmesh = { file = "ball.stl", units = "mm", at = [0, 0, 60] }\n'
    path = tmp_path / "page.html"
    assert run("page", job(HEAD + mesh + TOP), "-o", path).code == 0
    page = data_of(path)
    (body,) = [one for one in page["bodies"] if one["name"] == "float ball"]
    assert 1_000 < body["shape"]["count"] <= MOST_TRIANGLES
    assert any(
        "float ball is drawn with" in words and "instead of 38,920" in words for _, words in page["messages"]
    )
    # Simplified, not shrunken: the corners stay where the ball is.
    corners = np.frombuffer(base64.b64decode(body["shape"]["vertices"]), "<f4").reshape(-1, 3)
    assert np.abs(np.linalg.norm(corners - [0, 0, 60], axis=-1) - 30.0).max() < 0.2


@pytest.mark.parametrize("content", [b"", b"solid\nnonsense", b"\0" * 80 + struct.pack("<I", 5)])
def test_a_broken_mesh_is_named(run, job, tmp_path, content):
    (tmp_path / "ball.stl").write_bytes(content)
    mesh = '[[solid]]\nname = "ball"\non = "plate"\nmesh = { file = "ball.stl", units = "mm", at = [0, 0, 60] }\n'
    ended = run("page", job(HEAD + mesh + TOP), "-o", tmp_path / "page.html")
    assert ended.code == 2
    assert "mesh" in ended.err
    assert not (tmp_path / "page.html").exists()


def test_a_mesh_too_large_to_read_is_refused(run, job, tmp_path):
    with (tmp_path / "ball.stl").open("wb") as file:
        file.truncate(400_000_001)  # sparse
    mesh = '[[solid]]\nname = "ball"\non = "plate"\nmesh = { file = "ball.stl", units = "mm", at = [0, 0, 60] }\n'
    ended = run("page", job(HEAD + mesh + TOP), "-o", tmp_path / "page.html")
    assert ended.code == 2
    assert "coarsely" in ended.err


def test_a_fit_s_page_shows_what_the_report_says(browser, run, examples, tmp_path):
    readings, mill, path = (
        examples / "pivots" / "spring_check.csv",
        examples / "teaching_mill.toml",
        tmp_path / "fit.html",
    )
    assert run("pivot", "fit", readings, "-m", mill, "--page", path).code == 0
    report = json.loads(run("pivot", "fit", readings, "-m", mill, "--json").out)
    page = data_of(path)
    assert page["schema"] == "tiltwright.fit-page/1"
    assert len(page["readings"]) == len(report["readings"])
    browser.open(path)
    for line, shown in zip(report["rotary"], page["lines"], strict=True):
        np.testing.assert_allclose([float(v) for v in shown["point"]], line["point"], atol=5.001e-4)
    for one, shown in zip(report["readings"], page["readings"], strict=True):
        assert shown["row"] == one["row"]
        np.testing.assert_allclose(shown["residual"], one["residual_xyz"], rtol=0.0, atol=1e-12)
    # Readings lie on their circles to within their residuals.
    away = browser.js(
        """shownPage.page.circles.map(c => Math.max(...c.rows.map(i => {
          const r = shownPage.page.readings[i], p = minus(r.at, r.residual), f = footOn(c.point, c.direction, p);
          return Math.abs(size(minus(p, f)) - size(minus(c.start, footOn(c.point, c.direction, c.start))));
        })))"""
    )
    assert len(away) > 5
    assert max(away) < 1e-6
    browser.js("document.getElementById('next').click()")
    assert browser.js("document.getElementById('oh').textContent") == f"Reading 1 of {len(page['readings'])}"
    for _ in page["readings"]:
        browser.js("document.getElementById('next').click()")
    assert not browser.complaints()
    refused = run("pivot", "fit", readings, "-m", mill, "--page", path)
    assert refused.code == 2
    assert "--force" in refused.err
    assert run("pivot", "fit", readings, "-m", mill, "--page", tmp_path / "fit.pdf").code == 2


@pytest.mark.parametrize("level", ["one tilt", "lines that miss each other", "a pivot to find"])
def test_a_lesson_s_keys_have_pages(browser, run, tmp_path, level):
    folder = tmp_path / "class"
    assert (
        run("lesson", "new", folder, "--level", level, "--seed", "3", "--students", "2", "--pages").code == 0
    )
    pages = sorted(folder.glob("key/page-*.html"))
    assert [one.name for one in pages] == ["page-01.html", "page-02.html"]
    assert not list(folder.glob("sheets/*.html"))
    browser.open(pages[1])
    assert not browser.complaints()
    assert browser.js("document.getElementById('title').textContent")


def test_answers_of_a_file_that_is_wrong_in_itself(run, examples, tmp_path):
    answers = tmp_path / "answers.csv"
    answers.write_text("operation,axis,value_mm\nno such port,X,1.0\n")
    ended = run("page", examples / "tide_gauge_head.toml", "-o", tmp_path / "page.html", "--answers", answers)
    assert ended.code == 2
    assert "no such port" in ended.err
    assert not (tmp_path / "page.html").exists()


def test_the_example_copied_elsewhere_needs_nothing_beside_it(run, examples, tmp_path):
    for name in ("mast_cap.toml", "teaching_mill.toml"):
        shutil.copy(examples / name, tmp_path)
    path = tmp_path / "page.html"
    assert run("page", tmp_path / "mast_cap.toml", "-o", path).code == 0
    # Two slashes in the hash of a script are no address.
    text = re.sub(r"'sha256-[^']*'", "", path.read_text("utf-8"))
    outside = set(re.findall(r"""(?:https?:)?//[\w.]+\S*""", text)) - {"http://www.w3.org/2000/svg"}
    assert not {one.rstrip('";,') for one in outside} - {"http://www.w3.org/2000/svg"}
    assert not re.search(r"""(?:src|href)\s*=""", text)
