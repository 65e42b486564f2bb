"""Names of a package that are loaded on first use, because every command pays for what a package imports."""

from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any


def loads_on_use(package: str, home: Mapping[str, str]) -> Callable[[str], Any]:
    """A module's `__getattr__` (PEP 562) that finds each name of `home` in the submodule named there.

    `home` maps a public name to a module of `package`, without the package's own name.
    The returned function raises `AttributeError` for any other name, as modules do.
    """

    def load(name: str) -> Any:
        if name not in home:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        return getattr(import_module(f"{package}.{home[name]}"), name)

    return load
