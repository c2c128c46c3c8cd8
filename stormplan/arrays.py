"""Array types of the whole program: numpy arrays by the kind of their elements, and of records."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]
FlagArray = NDArray[np.uint16]
RecordArray = NDArray[np.void]


def flat_index(column: IntArray, members: int) -> IntArray:
    """Return the flat indices of all members of some columns."""
    return (column[:, None] * members + np.arange(members)).ravel()


def record_dtype(of: type, parts: int = 0) -> np.dtype[np.void]:
    """Return the type of records with the attributes of a class: numbers, flags, arrays of parts.

    Examples
    --------
    >>> class Store:
    ...     water: float
    ...     salts: Array
    >>> record_dtype(Store, 4)["salts"].shape
    (4,)
    """
    kinds = {
        name: str(getattr(kind, "__name__", kind)) for name, kind in of.__annotations__.items()
    }
    scalars = {"float": "f8", "bool": "?"}
    return np.dtype(
        [
            (name, scalars[kind]) if kind in scalars else (name, "f8", (parts,))
            for name, kind in kinds.items()
        ],
        align=True,
    )


class HasRecords(Protocol):
    """What keeps its values in an array of records, one for each column."""

    records: RecordArray


class RecordField:
    """View of one field of ``records``, ``(column,)``; ``(part, column)`` where it has parts.

    Examples
    --------
    >>> class Stores:
    ...     water = RecordField()
    ...     salts = RecordField()
    ...
    ...     def __init__(self):
    ...         self.records = np.zeros(3, dtype=[("water", "f8"), ("salts", "f8", (4,))])
    >>> stores = Stores()
    >>> stores.water[1] += 0.5
    >>> stores.salts = 2.0
    >>> stores.records["water"], stores.salts.shape
    (array([0. , 0.5, 0. ]), (4, 3))
    """

    def __set_name__(self, owner: type, name: str) -> None:
        self._name = name

    def __get__(self, of: HasRecords, owner: type) -> Array:
        values: Array = of.records[self._name].T
        return values

    def __set__(self, of: HasRecords, values: Array | float) -> None:
        of.records[self._name].T[...] = values
