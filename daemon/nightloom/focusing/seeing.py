"""How large stars are expected to be: a reference that learns from the subs of the night.

The logarithm of the half-flux radius, carried to the zenith, is taken as

    level of the night + shift of this stretch + the filter's own
    + part × logarithm of the seeing that the guide stars show + what the air does besides,

where a stretch lies between two looks at the focus, and the last is a noise that fades within some
minutes. The guide camera looks through the same air, but not through the main focuser: what grows
on both is not focus. Its optics and pixels blur its stars too, by an amount that the night shows:
guide width² less a constant follows the square of the seeing.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan

import numpy as np
from numpy.typing import NDArray

from nightloom.focusing.noise import believed, learned
from nightloom.frames.seeing import SEEING_EXPONENT

Floats = NDArray[np.float64]

# What is believed before the night has shown it: standard deviations of ln radius.
_STRETCH_SPREAD = 0.015  # between two good focus positions, a quarter of a zone apart
_FILTER_SPREAD = 0.15  # seeing goes as wavelength^−0.2, and glass adds its own
_PART, _PART_SPREAD = 1.0, 0.3  # the guide stars' seeing is the main camera's, more or less
_ROUNDS = 2  # scatter, fading and fit depend on each other; they agree soon
_FAR = 10.0  # spread of the night's level: nothing is known of it
# Candidates for the constant in guide width², as parts of the smallest width²; below 0 when the
# main camera blurs more.
_OWN_BLURS = (-0.5, 0.0, 0.4, 0.65, 0.8, 0.92)


@dataclass(frozen=True)
class SubSize:
    """What an accepted sub shows. `guide_fwhm_px` is NaN when the guide stars were not measured.

    `pointing` counts the dithers before it, `stretch` the looks at the focus: within one, focus is
    not meant to move.
    """

    at_s: float
    filter: str
    radius_px: float
    airmass: float
    guide_fwhm_px: float = nan
    pointing: int = 0
    stretch: int = 0


@dataclass(frozen=True)
class Surprise:
    """How much larger stars are than expected, in ln radius, and in standard errors.

    `growth` is against the reference alone. `standard` is against what the sub just before lets
    expect: under steady focus it is unit normal, and independent from sub to sub.
    """

    growth: float
    standard: float


def surprise(reference: Sequence[SubSize], before: SubSize | None, sub: SubSize) -> Surprise:
    """Hold a sub against a reference learned from others, oldest first.

    `before` is the last sub, learned from or not. Filters share the shifts, since all move with one
    focuser; each has its own level. Bad subs teach little (Huber's weights). Candidates for the
    guide optics' own blur are weighed by how well they explain the night.
    """
    table = _Table([*reference, sub] if before is None else [*reference, before, sub])
    fits = [_Fit(table, len(reference), own_px2) for own_px2 in table.own_blurs()]
    costs = np.array([fit.cost for fit in fits])
    weights = np.exp((costs.min() - costs) / 2.0)
    weights /= weights.sum()
    found = np.array([fit.predict(before is not None) for fit in fits])
    growth, news, variance = (weights @ found).tolist()
    variance += float(weights @ (found[:, 1] - news) ** 2)
    return Surprise(growth, news / variance**0.5)


class _Table:
    """Subs as rows of a linear model: the night, stretches, filters, the seeing beside them."""

    def __init__(self, subs: Sequence[SubSize]) -> None:
        at_s, pointings = [sub.at_s for sub in subs], [sub.pointing for sub in subs]
        self.gaps_s = np.diff(at_s, prepend=at_s[0])
        self.kinds = (np.diff(pointings, prepend=-1) == 0).astype(int)
        air = SEEING_EXPONENT * np.log([sub.airmass for sub in subs])
        self.sizes = np.log([sub.radius_px for sub in subs]) - air
        self._air = air
        self._width_px2 = np.array([sub.guide_fwhm_px for sub in subs]) ** 2
        self.guided = np.isfinite(self._width_px2).sum() > 1
        stretches, filters = ({s.stretch for s in subs}, {s.filter for s in subs})
        labels = [
            *([sub.stretch == stretch for sub in subs] for stretch in sorted(stretches)),
            *([sub.filter == name for sub in subs] for name in sorted(filters)),
        ]
        self._labels = np.stack([np.ones(len(subs)), *np.array(labels, float)], axis=1)
        spreads = [
            _FAR, *[_STRETCH_SPREAD] * len(stretches), *[_FILTER_SPREAD] * len(filters),
            _PART_SPREAD,
        ]  # fmt: skip
        self.expected = np.array([0.0] * (len(spreads) - 1) + [_PART])
        self.weights = np.array(spreads) ** -2.0

    def own_blurs(self) -> tuple[float, ...]:
        """Constants of guide width² to try; one will do when there are no guide stars."""
        if not self.guided:
            return (0.0,)
        return tuple(part * float(np.nanmin(self._width_px2)) for part in _OWN_BLURS)

    def rows(self, own_px2: float) -> Floats:
        """The model's rows, (subs, columns); a sub without guide stars, whose width is NaN, gets
        the average seeing.
        """
        seeing = 0.5 * np.log(self._width_px2 - own_px2) - self._air
        known = np.isfinite(seeing)
        seeing = np.where(known, seeing - (seeing[known].mean() if known.any() else 0.0), 0.0)
        return np.column_stack([self._labels, seeing])


class _Fit:
    """Bayesian regression with fading noise on the first rows of a table (Cochrane & Orcutt)."""

    def __init__(self, table: _Table, count: int, own_px2: float) -> None:
        self._table, self._rows = table, table.rows(own_px2)
        gaps_s, kinds = table.gaps_s[:count], table.kinds[:count]
        prior = believed(table.guided, float(np.median(gaps_s[1:])) if count > 1 else 1.0)
        self._noise = prior
        trust = np.ones(count)
        for _ in range(_ROUNDS):
            kept = np.where(np.arange(count) > 0, self._noise.kept(gaps_s, kinds), 0.0)
            spread = self._noise.spread(kept, kinds)
            self._solve(count, kept, trust / spread**2)
            off = table.sizes[:count] - self._rows[:count] @ self._found
            news = _news(off, kept)
            self._noise = learned(prior, self._noise, off, news, kept, kinds)
            trust = self._noise.trust(news, kept, kinds)
        surplus = self._found - table.expected
        self.cost = float(
            2.0 * np.log(spread).sum() + trust @ (news / spread) ** 2 + table.weights @ surplus**2
        )

    def predict(self, before: bool) -> tuple[float, float, float]:
        """The last row against the fit, against the row before too, and the variance of that."""
        table, rows = self._table, self._rows
        off = table.sizes[-2:] - rows[-2:] @ self._found
        last = table.kinds[-1:]
        kept = self._noise.kept(table.gaps_s[-1:], last) if before else np.zeros(1)
        row, news = rows[-1], float(off[-1])
        if before:
            row, news = row - kept[0] * rows[-2], news - float(kept[0] * off[0])
        variance = self._noise.spread(kept, last)[0] ** 2 + row @ self._covariance @ row
        return float(off[-1]), news, float(variance)

    def _solve(self, count: int, kept: Floats, weights: Floats) -> None:
        """Fit the first `count` rows, each less the part `kept` of the one before, under weights:
        (count,).
        """
        table = self._table
        rows, sizes = _news(self._rows[:count], kept[:, None]), _news(table.sizes[:count], kept)
        precision = (rows * weights[:, None]).T @ rows + np.diag(table.weights)
        pull = (rows * weights[:, None]).T @ sizes + table.weights * table.expected
        self._covariance = np.linalg.inv(precision)
        self._found = self._covariance @ pull


def _news(values: Floats, kept: Floats) -> Floats:
    """What is new in each row: less what is left of the one before. (n,) or (n, columns), with
    `kept` (n,) or (n, 1).
    """
    return np.asarray(values - kept * np.concatenate([values[:1], values[:-1]]))
