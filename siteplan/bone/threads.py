"""One thread for small linear algebra.

The fit solves many systems of about a hundred unknowns. Threads inside the linear algebra library cost more than
they bring there, and on a busy machine they make each solve hundreds of times slower (measured: 0.06 ms alone,
60 ms with two other programs on two cores).
"""

from contextlib import AbstractContextManager, nullcontext
from functools import lru_cache
from typing import Any


@lru_cache(maxsize=1)
def _controller() -> Any:
    try:
        from threadpoolctl import ThreadpoolController  # type: ignore[import-untyped]  # it ships no types
    except ImportError:
        return None
    return ThreadpoolController()


def one_thread() -> AbstractContextManager[Any]:
    """Context in which BLAS uses one thread; does nothing where `threadpoolctl` is not installed."""
    controller = _controller()
    if controller is None:
        return nullcontext()
    limited: AbstractContextManager[Any] = controller.limit(limits=1, user_api="blas")
    return limited
