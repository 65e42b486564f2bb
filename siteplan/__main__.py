"""`python -m siteplan` is the same as `siteplan`."""

import sys

from siteplan.cli import main

sys.exit(main())
