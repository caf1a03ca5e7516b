"""The least that any order of a cycle's subs can cost."""

from collections.abc import Mapping

from nightloom.cycle.gaps import GapCosts


def lower_bound_s(counts: Mapping[str, int], costs: GapCosts) -> float:
    """A bound on what the gaps of a cycle cost, from each gap by itself.

    Every sub has one gap before it. That gap changes the filter, at best from the filter from which
    this is quickest, or it dithers, or both; in one gap of each filter the change is unavoidable
    when there are several filters. Of all gaps at least as many dither as there are subs of the
    commonest filter, because the gaps after its subs lie apart on the ring and two of its subs
    never share a pointing. Choosing the cheapest for each gap, and then the cheapest gaps to dither
    in, can cost no more than any order does. The same holds for the gaps after the subs, and the
    larger of the two bounds is given.

    With one time for all changes this is what a weave costs; with a time for each pair it may be
    less, as the quickest changes need not form a ring.
    """
    return max(_bound_s(counts, costs, entering) for entering in (True, False))


def _bound_s(counts: Mapping[str, int], costs: GapCosts, entering: bool) -> float:
    dither_s = max(costs.download_s, costs.dither_s)
    gaps: list[tuple[float, float]] = []  # what a gap costs without a dither, and with one
    for filter_, count in counts.items():
        others = [other for other in counts if other != filter_]
        if not others:
            return count * dither_s
        pairs = [(other, filter_) if entering else (filter_, other) for other in others]
        changed_s = min(costs.gap_s(*pair, False) for pair in pairs)
        gaps += [(changed_s, max(changed_s, dither_s)), *[(changed_s, dither_s)] * (count - 1)]
    without = sum(min(gap) for gap in gaps)
    dithering = sum(dithered <= plain for plain, dithered in gaps)
    dearer = sorted(dithered - plain for plain, dithered in gaps if dithered > plain)
    return without + sum(dearer[: max(0, max(counts.values()) - dithering)])
