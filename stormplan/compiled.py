"""Compilation of numerical loops to machine code, kept between runs of the program.

Time stepping is one long loop over few numbers, where numpy spends its time on calling and not on
computing. What is decorated here is compiled by Numba at its first use, which takes seconds, and
read back by every later run.
"""

from __future__ import annotations

import hashlib
import os
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, TypeVar

import numba
from numba.core.caching import FunctionCache

config: Any = numba.config

Function = TypeVar("Function", bound=Callable[..., object])

#: Machine code holds the constants and functions of these: when one changes, all is made anew.
SOURCES = (
    "arrays.py",
    "compiled.py",
    "physics/*.py",
    "liquids/*.py",
    "weather/moist_air.py",
    "units.py",
)


def source_digest() -> str:
    """Return a digest of everything that compiled code is made of."""
    package = Path(__file__).parent
    digest = hashlib.sha256(f"{numba.__version__} {sys.version}".encode())
    for pattern in SOURCES:
        for path in sorted(package.glob(pattern)):
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def cache_folder() -> Path | None:
    """Return the folder where compiled code is kept, made if need be; None where none can be.

    That is the folder a service manager gives (``CACHE_DIRECTORY``), else the user's own.
    """
    given = os.environ.get("CACHE_DIRECTORY") or os.environ.get("XDG_CACHE_HOME")
    try:
        base = Path(given) if given else Path.home() / ".cache"
        folder = base / "stormplan" / source_digest()
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    except (OSError, RuntimeError):  # a service without a home compiles at every start
        return None
    return folder if os.access(folder, os.W_OK) else None


_FOLDER = cache_folder()


def has_kept_code() -> bool:
    """Return whether an earlier run left compiled code here."""
    return _FOLDER is not None and any(_FOLDER.rglob("*.nbi"))


class KeptCode(FunctionCache):
    """Compiled code of one function on disk; damaged code, or code not kept, is made anew."""

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """Return the code that was kept; None where there is none, or none that can be read."""
        try:
            return super().load_overload(sig, target_context)
        except Exception:  # a pickle that a power cut left damaged may raise anything
            with suppress(OSError):
                self.flush()
            return None

    def save_overload(self, sig: Any, data: Any) -> None:
        """Keep code if the disk lets it."""
        with suppress(OSError):
            super().save_overload(sig, data)


def compiled(function: Function) -> Function:
    """Compile a function of numbers and arrays at its first call.

    Parameters
    ----------
    function : callable
        In the part of Python and numpy that Numba knows; division by zero as in numpy.

    Returns
    -------
    callable
        The same, to be called from Python or from other compiled functions.

    Examples
    --------
    >>> @compiled
    ... def total_mm(hourly_mm):
    ...     total = 0.0
    ...     for amount in hourly_mm:
    ...         total += amount
    ...     return total
    >>> import numpy as np
    >>> total_mm(np.array([0.5, 1.5]))
    2.0
    """
    code: Any = numba.njit(function, error_model="numpy")
    if _FOLDER is not None:
        # Numba looks for the folder here
        before, config.CACHE_DIR = config.CACHE_DIR, str(_FOLDER)
        try:
            code._cache = KeptCode(function)
        finally:
            config.CACHE_DIR = before
    compiled_function: Function = code
    return compiled_function
