"""How long a canal takes from two clicks, against one plain Hessian filter of the same box in the same run."""

import sys
from pathlib import Path
from time import perf_counter

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "anatomy"))

FEW = 30
"""A trace costs at most so many passes of one scikit-image Hessian over the box it works in (our own bound; measured
ratio about 8 on two shared cores)."""


def test_a_trace_costs_a_few_hessians() -> None:
    from jaw_phantom import FINE, canal_phantom
    from skimage.feature import hessian_matrix, hessian_matrix_eigvals

    from siteplan.anatomy.canal import trace_canal

    phantom = canal_phantom(0, FINE)
    stops = phantom.centreline_lps_mm[[15, -15]]
    values = phantom.scan.values((slice(None),) * 3)

    def hessian() -> None:
        hessian_matrix_eigvals(hessian_matrix(values, sigma=2.0, use_gaussian_derivatives=False))

    times = {}
    for name, work in (("hessian", hessian), ("trace", lambda: trace_canal(phantom.scan, stops))):
        runs = []
        for _ in range(2):
            start = perf_counter()
            work()
            runs.append(perf_counter() - start)
        times[name] = float(np.min(runs))
    print({k: round(v, 3) for k, v in times.items()})
    assert times["trace"] < FEW * times["hessian"]
