"""The least that any order of a cycle's subs can cost."""

from collections.abc import Mapping

from nightloom.cycle.gaps import GapCosts
from nightloom.cycle.runs import ONE_EACH, cycles_at_once, runs


def lower_bound_s(
    counts: Mapping[str, int], costs: GapCosts, room: Mapping[str, int] = ONE_EACH
) -> float:
    """A bound on what the gaps of a cycle cost, from each gap by itself.

    A filter's subs at one pointing go in a run, in which a gap costs a download, the least that any
    gap can; of each filter there are as few runs as it has to have pointings (`room`), and what
    follows counts the gaps before them. (A change through a third filter is taken to be no quicker
    than the straight one.)

    Every sub has one gap before it. That gap changes the filter, at best from the filter from which
    this is quickest, or it dithers, or both; in one gap of each filter the change is unavoidable
    when there are several filters. Of all gaps at least as many dither as there are subs of the
    commonest filter, because the gaps after its subs lie apart on the ring and two of its subs
    never share a pointing; where several cycles share one, one gap dithers in so many of them.
    Choosing the cheapest for each gap, and then the cheapest gaps to dither in, can cost no more
    than any order does. The same holds for the gaps after the subs, and the larger of the two
    bounds is given.

    With one time for all changes this is what a weave costs; with a time for each pair it may be
    less, as the quickest changes need not form a ring.
    """
    number = {name: len(each) for name, each in runs(counts, room).items()}
    within_s = costs.download_s * (sum(counts.values()) - sum(number.values()))
    cycles = cycles_at_once(counts, room)
    return within_s + max(_bound_s(number, costs, cycles, entering) for entering in (True, False))


def _bound_s(counts: Mapping[str, int], costs: GapCosts, cycles: int, entering: bool) -> float:
    dither_s = max(costs.download_s, costs.dither_s)
    gaps: list[tuple[float, float]] = []  # what a gap costs without a dither, and with one
    for filter_, count in counts.items():
        others = [other for other in counts if other != filter_]
        if not others:
            return count * (costs.download_s + (dither_s - costs.download_s) / cycles)
        pairs = [(other, filter_) if entering else (filter_, other) for other in others]
        changed_s = min(costs.gap_s(*pair, False) for pair in pairs)
        gaps += [(changed_s, max(changed_s, dither_s)), *[(changed_s, dither_s)] * (count - 1)]
    without = sum(min(gap) for gap in gaps)
    dithering = sum(dithered <= plain for plain, dithered in gaps)
    dearer = sorted(dithered - plain for plain, dithered in gaps if dithered > plain)
    return without + sum(dearer[: max(0, max(counts.values()) - dithering)]) / cycles
