"""Array types of the whole program: numpy arrays by the kind of their elements."""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]
FlagArray = NDArray[np.uint16]
