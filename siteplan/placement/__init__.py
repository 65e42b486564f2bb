"""Where may a fixture go? Clearance, tolerance of the hand, proposals, parallelism."""
