"""Compiling the inner loops, with a fall-back where no cache directory can be written."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

F = TypeVar("F", bound=Callable[..., Any])


def compiled(function: F) -> F:
    """Compile a function of arrays and numbers; keep the machine code on disk where that is possible."""
    options: dict[str, Any] = {"nopython": True, "fastmath": True, "nogil": True}
    try:
        return cast(F, numba.jit(cache=True, **options)(function))
    except RuntimeError:  # numba finds no place to keep its cache (a read-only installation)
        return cast(F, numba.jit(**options)(function))
