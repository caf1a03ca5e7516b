"""Directions as unit vectors; the last axis holds x, y, z."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Vectors = NDArray[np.float64]


def unit(longitude_deg: ArrayLike, latitude_deg: ArrayLike) -> Vectors:
    """Return unit vectors (..., 3) of spherical coordinates that broadcast to (...)."""
    longitude, latitude = np.radians(longitude_deg), np.radians(latitude_deg)
    across = np.cos(latitude)
    x = across * np.cos(longitude)
    vectors = np.empty((*np.shape(x), 3))
    vectors[..., 0], vectors[..., 1], vectors[..., 2] = (
        x,
        across * np.sin(longitude),
        np.sin(latitude),
    )
    return vectors


def angles_deg(vectors: Vectors) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return longitude (0 to 360) and latitude, (...), of vectors (..., 3) of any length."""
    x, y, z = vectors[..., 0], vectors[..., 1], vectors[..., 2]
    return np.degrees(np.arctan2(y, x)) % 360.0, np.degrees(np.arctan2(z, np.hypot(x, y)))


def normalised(vectors: Vectors) -> Vectors:
    """Return vectors (..., 3) brought to unit length; one without length gives NaN."""
    length = np.sqrt(np.sum(vectors * vectors, axis=-1, keepdims=True))
    return np.asarray(vectors / length, dtype=np.float64)


def separation_deg(a: Vectors, b: Vectors) -> NDArray[np.float64]:
    """Return the angle, (...), between unit vectors (..., 3), which broadcast."""
    dot = np.clip(np.sum(a * b, axis=-1), -1.0, 1.0)
    return np.asarray(np.degrees(np.arccos(dot)), dtype=np.float64)
