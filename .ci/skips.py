"""Fail when a test was skipped that should have run: only the reasons below are accepted."""

import sys
from pathlib import Path
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


def main(report: str) -> int:
    """Read pytest's JUnit report and name every skip with another reason."""
    wrong = []
    for case in ElementTree.fromstring(Path(report).read_text(encoding="utf-8")).iter("testcase"):
        skipped = case.find("skipped")
        if skipped is None or skipped.get("type") == "pytest.xfail":
            continue
        reason = skipped.get("message", "")
        if not reason.endswith(ACCEPTED):
            wrong.append(f"{case.get('classname')}.{case.get('name')}: {reason}")
    print(
        "\n".join(["skipped without an accepted reason:", *wrong]) if wrong else "no test was skipped that should run"
    )
    return bool(wrong)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
