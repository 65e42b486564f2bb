"""At 125, 150 and 200 % every text fits, nothing covers anything, and all of it is on the screen."""

import json
import os
import subprocess
import sys

import pytest

pytestmark = pytest.mark.display


@pytest.mark.parametrize("percent", [125, 150, 200])
def test_everything_fits(display, sample, root, percent):
    case = json.loads(sample.read_text())
    case["sites"] = case["sites"][:1]
    sample.write_text(json.dumps(case))
    shots = os.environ.get("SITEPLAN_SHOTS", "")
    env = {**os.environ, "QT_SCALE_FACTOR": str(percent / 100)}
    command = [sys.executable, "-m", "tests.viewer.scaled_child", str(sample), shots]
    done = subprocess.run(command, cwd=root, env=env, capture_output=True, text=True, check=False, timeout=180)
    assert done.returncode == 0, done.stderr[-2000:]
    found = json.loads(done.stdout.splitlines()[-1])
    assert len(found) >= 7
    assert {state: wrong for state, wrong in found.items() if wrong} == {}
