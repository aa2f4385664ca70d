"""One browser for all tests of the page; where there is none they are skipped, unless it must be there."""

import importlib.util
import os
from pathlib import Path

import pytest

_spec = importlib.util.spec_from_file_location("chromium_by_pipe", Path(__file__).with_name("chromium.py"))
_helper = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(_helper)


@pytest.fixture(scope="session")
def browser():
    if _helper.found() is None:
        if os.environ.get("TILTWRIGHT_CHROMIUM") == "must":
            pytest.fail("chromium is not installed, and here it must be")
        pytest.skip("chromium is not installed: apt-get install -y --no-install-recommends chromium")
    one = _helper.Chromium(1280, 800)
    yield one
    one.close()


@pytest.fixture
def opened(browser, run, tmp_path):
    """Write the page of a job with options, and open it."""

    def open_it(job, *options, code=0, width=480, height=400):
        path = tmp_path / "page.html"
        ended = run("page", job, "-o", path, "--force", *options)
        assert ended.code == code, ended.err
        browser.dark(wanted=False)
        browser.size(width, height)
        browser.open(path)
        return browser

    return open_it
