"""Stacks of 2x2 matrices (..., 2, 2) and 2-vectors (..., 2), in closed form: faster than a general solver."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def apply(matrix: Array, vector: Array) -> Array:
    """Matrix times vector, leading axes broadcast."""
    one, two = vector[..., 0], vector[..., 1]
    return np.stack(
        [
            matrix[..., 0, 0] * one + matrix[..., 0, 1] * two,
            matrix[..., 1, 0] * one + matrix[..., 1, 1] * two,
        ],
        axis=-1,
    )


def determinant(matrix: Array) -> Array:
    """Determinants (...)."""
    result: Array = matrix[..., 0, 0] * matrix[..., 1, 1] - matrix[..., 0, 1] * matrix[..., 1, 0]
    return result


def inverse(matrix: Array) -> Array:
    """Inverses."""
    result = np.empty(matrix.shape)
    result[..., 0, 0], result[..., 1, 1] = matrix[..., 1, 1], matrix[..., 0, 0]
    result[..., 0, 1], result[..., 1, 0] = -matrix[..., 0, 1], -matrix[..., 1, 0]
    return result / determinant(matrix)[..., None, None]


def lower_factor(covariance: Array) -> Array:
    """Lower Cholesky factors of positive semidefinite matrices; a vanished spread gives zeros, not nan."""
    result = np.zeros(covariance.shape)
    first = np.sqrt(np.maximum(covariance[..., 0, 0], 0.0))
    across = np.divide(covariance[..., 1, 0], first, out=np.zeros_like(first), where=first > 0)
    result[..., 0, 0], result[..., 1, 0] = first, across
    result[..., 1, 1] = np.sqrt(np.maximum(covariance[..., 1, 1] - across**2, 0.0))
    return result
