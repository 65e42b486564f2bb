"""Lets the tests of this folder share `_brute`, which the import mode of the suite would not find."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
