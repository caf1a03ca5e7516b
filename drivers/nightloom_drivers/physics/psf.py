"""Star images: seeing and smear, spread by defocus, summed over pixels.

An image is the convolution of a Gaussian (seeing and what the mount moved) with the uniform disk
or ring of a defocused aperture and with the pixel. It is made once a frame through its Fourier
transform on a finer grid, and every star takes the nearest of the grid's shifts, which puts it at
most 1/16 pixel from its place.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.special import erf, j1

Array = NDArray[np.float64]
Image = NDArray[np.float32]

_FINE = 8  # shifts to a pixel
_REACH_SIGMA = 5.5
_LARGEST_PX = 128
LARGEST_DISK_PX = 52.0
"""Disks are not drawn larger than this; far out of focus there is nothing to see anyway."""


@dataclass(frozen=True)
class Blur:
    """What makes a star wide, in pixels: a Gaussian's variances and covariance, a disk's radius.

    `hole` is the ratio of the ring's inner radius to its outer one.
    """

    var_x: float
    var_y: float
    cov_xy: float = 0.0
    disk_radius_px: float = 0.0
    hole: float = 0.0

    @property
    def sigma_px(self) -> float:
        """Mean standard deviation of the Gaussian."""
        return float(np.sqrt((self.var_x + self.var_y) / 2))


def stamp_size_px(blur: Blur) -> int:
    """Return the side of the square that holds a star image, an even number."""
    widest = np.sqrt(max(blur.var_x, blur.var_y) + 0.1)
    half = blur.disk_radius_px + _REACH_SIGMA * widest + 1
    return int(min(2 * np.ceil(half), _LARGEST_PX))


def shifted_stamps(blur: Blur) -> Image:
    """Return star images of unit flux, shape (8, 8, size, size), by shift in y and x.

    Image [j, i] is centred at row size/2 − j/8 and column size/2 − i/8.
    """
    size = stamp_size_px(blur)
    fine = size * _FINE
    k = 2 * np.pi * np.fft.rfftfreq(fine) * _FINE  # radians per pixel
    k_y = 2 * np.pi * np.fft.fftfreq(fine) * _FINE
    # beyond the Gaussian's reach nothing is left; pixel and ring are smooth there
    transform = np.exp(
        -0.5 * (blur.var_y * k_y[:, None] ** 2 + blur.var_x * k**2) - blur.cov_xy * k_y[:, None] * k
    )
    transform *= np.sinc(k / (2 * np.pi)) * np.sinc(k_y[:, None] / (2 * np.pi))
    if blur.disk_radius_px > 0:
        transform *= ring_transform(np.hypot(k_y[:, None], k) * blur.disk_radius_px, blur.hole)
    image = np.fft.fftshift(np.fft.irfft2(transform, s=(fine, fine)) * _FINE**2)
    by_shift = image.reshape(size, _FINE, size, _FINE).transpose(1, 3, 0, 2)
    return np.ascontiguousarray(by_shift, dtype=np.float32)


def add_stars(image: Image, x: Array, y: Array, flux: Array, blur: Blur) -> None:
    """Add n stars to an image (rows, columns) in place; a pixel's centre has whole coordinates.

    Places in pixels and light are (n,), none NaN; what lies beyond the edge is left out.
    """
    stamps = shifted_stamps(blur)
    size = stamps.shape[-1]
    height, width = image.shape
    back_x, back_y = np.rint(-x * _FINE).astype(int), np.rint(-y * _FINE).astype(int)
    corners_x, corners_y = -(back_x // _FINE) - size // 2, -(back_y // _FINE) - size // 2
    places = np.stack((corners_x, corners_y, back_x % _FINE, back_y % _FINE), axis=-1).tolist()
    for (x0, y0, i, j), f in zip(places, flux.astype(np.float32), strict=True):
        x1, y1 = max(x0, 0), max(y0, 0)
        x2, y2 = min(x0 + size, width), min(y0 + size, height)
        if x1 < x2 and y1 < y2:
            image[y1:y2, x1:x2] += f * stamps[j, i, y1 - y0 : y2 - y0, x1 - x0 : x2 - x0]


def gaussian_stamps(
    x: Array, y: Array, sigma_px: float, reach_px: int
) -> tuple[NDArray[np.intp], NDArray[np.intp], Array]:
    """Return the lowest columns and rows, (n,), and the images of unit flux of round stars.

    Exact over pixels; places are (n,), images (n, 2 reach + 1, 2 reach + 1).
    """
    column, row = np.rint(x).astype(np.intp), np.rint(y).astype(np.intp)
    edges = np.arange(-reach_px - 0.5, reach_px + 1) / (np.sqrt(2) * sigma_px)
    along = np.stack((y - row, x - column)) / (np.sqrt(2) * sigma_px)
    share = 0.5 * np.diff(erf(edges - along[..., None]), axis=-1)
    return column - reach_px, row - reach_px, share[0][:, :, None] * share[1][:, None, :]


def half_flux_radius_px(blur: Blur) -> float:
    """Return the radius that holds half of a star's light, pixel included as a Gaussian of 1/12.

    Within 1 % for a full aperture; for a ring far out of focus.
    """
    sigma = float(np.sqrt(blur.sigma_px**2 + 1 / 12))
    ratio = blur.disk_radius_px / sigma
    beyond = max(ratio - _RATIOS[-1], 0.0)
    radius = float(_spline(min(ratio, _RATIOS[-1]))) + np.sqrt(0.5) * beyond
    ring = np.sqrt(1 + blur.hole**2)
    return float(sigma * radius * (1 + min(ratio / 3, 1.0) * (ring - 1)))


_POINT = 1e-9
"""Below this a disk's transform is 1 to the last figure."""


def ring_transform(kr: Array, hole: float) -> Array:
    """Return the transform of a uniform ring of unit flux, of the shape of `kr`, k times its outer
    radius.
    """
    if hole == 0:
        return _disk(kr)
    return (_disk(kr) - hole**2 * _disk(kr * hole)) / (1 - hole**2)


def _disk(kr: Array) -> Array:
    """Return the transform of a uniform disk of unit flux, of the shape of `kr`."""
    point = kr < _POINT  # so small that j1 loses its figures
    safe = np.where(point, 1.0, kr)
    return np.where(point, 1.0, 2 * j1(safe) / safe)


# Half-flux radius of a unit Gaussian convolved with a disk of radius R, both in σ, by Monte Carlo;
# far out half of a disk's light lies within R/√2
_RATIOS = (0.0, 0.5, 1.0, 2.0, 3.0, 5.0, 8.0)
_HALF_FLUX_RADII = (1.17741, 1.213, 1.322, 1.724, 2.280, 3.575, 5.661)
_spline = CubicSpline(_RATIOS, _HALF_FLUX_RADII, bc_type=((1, 0.0), (1, float(np.sqrt(0.5)))))
