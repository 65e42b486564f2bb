"""Fail when a test was skipped that should have run: only the reasons below are accepted."""

import sys
from xml.etree import ElementTree

ACCEPTED = (
    "the shared scans are not used on CI",
    "the shared scans and phantoms are not beside this checkout",
    # A container may forbid this; the small archives of our own then hold the same contract.
    "this system does not let a test make a network namespace, and Orthanc would listen on every interface",
    # Files of pydicom that have no counterpart to compare with; each is read elsewhere or is meant to be refused.
    "left to pydicom",
    "frames without functional groups are never read",
    "pydicom has no decoder for it here: AttributeError",
    "pydicom has no decoder for it here: RuntimeError",
    "pydicom has no decoder for it here: NotImplementedError",
)


def main(reports: list[str]) -> int:
    """Read pytest's JUnit reports, name every skip with another reason, and end with one line that sums them up."""
    wrong, passed, skipped, seconds = [], 0, 0, 0.0
    for suite in (suite for report in reports for suite in ElementTree.parse(report).iter("testsuite")):
        seconds += float(suite.get("time", 0))
        for case in suite.iter("testcase"):
            skip = case.find("skipped")
            if skip is None:
                passed += case.find("failure") is None and case.find("error") is None
            else:
                skipped += 1
                reason = skip.get("message", "")
                if skip.get("type") != "pytest.xfail" and not reason.endswith(ACCEPTED):
                    wrong.append(f"{case.get('classname')}.{case.get('name')}: {reason}")
    print(
        "\n".join(["skipped without an accepted reason:", *wrong]) if wrong else "no test was skipped that should run"
    )
    print(f"{passed} passed, {skipped} skipped in {seconds:.2f}s of {len(reports)} runs of pytest")
    return bool(wrong)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
