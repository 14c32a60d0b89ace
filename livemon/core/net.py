"""A small network that was learned: a straight part and one layer of bends.  What for, it does not know."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


class Net(NamedTuple):
    """A straight part and one layer of bends: straight x + bias + outer tanh(inner x + inner_bias).

    Inputs are held between the ends seen while learning: after a hole in the data, say, some lie where nothing was
    learned, and a net asked there answers anything.
    """

    low: Array
    """(inputs,) ends that inputs are held between"""
    high: Array
    straight: Array
    """(outputs, inputs)"""
    bias: Array
    inner: Array
    """(bends, inputs)"""
    inner_bias: Array
    outer: Array
    """(outputs, bends)"""

    def __call__(self, inputs: Array) -> Array:
        """Outputs on the last axis, from inputs on the last axis.

        Every row is summed in one order, so it comes out the same to the last bit alone or beside others.
        """
        row = np.ascontiguousarray(np.minimum(np.maximum(inputs, self.low), self.high))[..., None, :]
        bends = np.tanh((self.inner * row).sum(axis=-1) + self.inner_bias)
        answer: Array = (self.straight * row).sum(axis=-1) + self.bias
        answer += (self.outer * bends[..., None, :]).sum(axis=-1)
        return answer
