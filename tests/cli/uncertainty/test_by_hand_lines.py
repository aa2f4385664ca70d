"""The lines of `explain` that carry an uncertainty through an operation, against the budget."""

JOB = """
name = "Post"
units = "mm"
machine = "teaching_mill.toml"
[[stack]]
name = "post"
up = 100.0
up_within = 0.03
[[operation]]
name = "side"
at = { A = -30, C = 0 }
"""


def test_the_lines_add_up(run, job):
    """0.03 / root 3 = 0.01732; at A-30 half of it goes to Y, 0.866 of it to Z."""
    ended = run("explain", job(JOB), "side")
    assert ended.code == 0
    line = next(one for one in ended.out.splitlines() if one.startswith("post: up"))
    assert line.split()[2:] == ["0.0173", "mm", "0.0000", "-0.5000", "0.8660", "0.0000", "0.0087", "0.0150"]


def test_without_a_statement_nothing_is_added(run, examples):
    assert "How sure it is" not in run("explain", examples / "tide_gauge_head.toml", "top port").out
