"""How evenly the accepted seconds are spread over the filters, in the order of the ledger."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence, Set

from nightloom.rehearsal.observer.depth import ClearDark, clear_dark
from nightloom.rehearsal.observer.entries import Entry
from nightloom.rehearsal.observer.exposures import TakenSub
from nightloom.rehearsal.observer.rules import EVEN, EVEN_IN_DEPTH, Findings
from nightloom.settings import Group, Settings, Target
from nightloom.settings.groups import AskedSub as AskedSub

ROUNDING = 1e-6

NOTHING: Mapping[str, TakenSub] = {}


def look_at_shares(
    settings: Settings,
    entries: Iterable[Entry],
    night: str,
    findings: Findings,
    stuck: Set[str] = frozenset(),
    taken: Mapping[str, TakenSub] = NOTHING,
) -> float:
    """Count the night's accepted seconds up in the order of entry; gives the largest distance.

    What was taken while wheel or focuser was `stuck` is to be made up: no filter may be further off
    afterwards than it was then, and a cycle. So is what another group of filters may have taken, as
    a filter may be in several; `taken` tells of the sky of each sub. A frame that was taken back
    later counts until then.
    """
    targets = {
        target.name: target for target in settings.targets.targets if target.count == "seconds"
    }
    wholes = {target.name: target.whole for target in targets.values()}
    tally_s: dict[str, dict[str, float]] = defaultdict(lambda: defaultdict(float))
    tonight_s: dict[str, dict[str, float]] = defaultdict(lambda: defaultdict(float))
    begun_s: dict[tuple[str, int], dict[str, float]] = {}
    largest = 0.0
    for changes in _changes(list(entries)):
        for entry, counted_s in changes:
            if entry.night == night and entry.target in targets:
                for number in range(len(targets[entry.target].groups)):
                    begun_s.setdefault((entry.target, number), dict(tally_s[entry.target]))
            tally_s[entry.target][entry.filter] += counted_s
            if entry.night == night:
                tonight_s[wholes.get(entry.target, "")][entry.filter] += counted_s
        for entry, _ in changes:
            if entry.night != night or entry.target not in targets:
                continue
            target = targets[entry.target]
            for number, asked in _asked(target, tally_s[entry.target], tonight_s[target.whole]):
                if entry.filter not in asked:
                    continue
                others = [one for place, one in enumerate(target.groups) if place != number]
                elsewhere = any(suits(one, entry.filter, taken.get(entry.uid)) for one in others)
                if entry.uid in stuck or elsewhere:
                    begun_s[entry.target, number] = dict(tally_s[entry.target])
                    continue
                now = unevenness(asked, tally_s[entry.target])
                largest = max(largest, now)
                at_first = unevenness(asked, begun_s[entry.target, number])
                inherited = at_first if at_first > EVEN.tolerance else 0.0
                if now > inherited + EVEN.tolerance + ROUNDING:
                    seen = f"after {entry.uid} {entry.target} is uneven by {now:.2f} cycles"
                    findings.add(EVEN, entry.start_s, seen)
    return largest


def look_at_depth(
    settings: Settings,
    entries: Sequence[Entry],
    taken: Mapping[str, TakenSub],
    night: str,
    findings: Findings,
) -> float:
    """The same for targets that count depth, by the true sky of their subs, `taken` by their name.

    What earlier nights were worth is not known: a target that has frames of those is not judged.
    When a sub shows another clear dark night, or was taken with a stuck wheel or focuser, the tally
    is what it is by then, and is to be made up.
    """
    old = {entry.target for entry in entries if entry.night != night and entry.accepted}
    largest = 0.0
    for target in settings.targets.targets:
        if target.count != "depth" or target.name in old:
            continue
        kept: dict[str, TakenSub] = {}
        inherited, nights = 0.0, dict[str, ClearDark]()
        for changes in _changes([one for one in entries if one.target == target.name]):
            had = list(kept.values())
            for entry, counted_s in changes:
                if entry.uid in taken and counted_s > 0:
                    kept[entry.uid] = taken[entry.uid]
                else:
                    kept.pop(entry.uid, None)
            last = changes[-1][0]
            before, nights = nights, _nights(kept.values())
            tally_s = _worth_s(kept.values(), nights)
            for _, asked in _asked(target, tally_s, tally_s):
                if last.filter not in asked:
                    continue
                now = unevenness(asked, tally_s)
                largest = max(largest, now)
                cycle_s = sum(sub.share * sub.exposure_s for sub in asked.values())
                cycles = sum(tally_s.get(name, 0.0) for name in asked) / cycle_s
                slack = 0.5 / min(sub.share for sub in asked.values())
                allowed = EVEN.tolerance + slack + EVEN_IN_DEPTH.tolerance * cycles
                if now <= allowed + ROUNDING:
                    inherited = 0.0
                    continue
                till_then = unevenness(asked, _worth_s(had, nights))
                if till_then > allowed and before != nights:
                    inherited = max(inherited, till_then)
                if last.uid in taken and taken[last.uid].stuck:
                    inherited = max(inherited, now)
                elif not inherited or now > inherited + EVEN.tolerance:
                    seen = f"after {last.uid} {target.name} is uneven in depth by {now:.2f} cycles"
                    findings.add(EVEN_IN_DEPTH, last.start_s, seen)
    return largest


def _nights(subs: Collection[TakenSub]) -> dict[str, ClearDark]:
    """The clear dark night of each filter."""
    names = {sub.filter for sub in subs}
    return {name: clear_dark(one.depth for one in subs if one.filter == name) for name in names}


def _worth_s(subs: Iterable[TakenSub], nights: Mapping[str, ClearDark]) -> dict[str, float]:
    """True worth by filter."""
    tally_s: dict[str, float] = defaultdict(float)
    for sub in subs:
        tally_s[sub.filter] += sub.exposure_s * nights[sub.filter].part(sub.depth)
    return tally_s


def _changes(entries: Sequence[Entry]) -> Iterator[list[tuple[Entry, float]]]:
    """Every change of the tally in its order: frames, and the seconds gained or lost by them.

    What was taken back at one time is one change.
    """
    for entry in entries:
        if entry.accepted or entry.taken_back_after:
            yield [(entry, entry.exposure_s)]
        gone = [one for one in entries if one.taken_back_after == entry.uid]
        if gone:
            yield [(one, -one.exposure_s) for one in gone]


def suits(group: Group, filter_name: str, sub: TakenSub | None) -> bool:
    """Whether a group has a filter, and is asked for under the sky of a sub, as far as is known."""
    if filter_name not in group.filters or sub is None or not sub.skies:
        return filter_name in group.filters
    return not sub.skies.isdisjoint(group.sky)


def _asked(
    target: Target, tally_s: Mapping[str, float], tonight_s: Mapping[str, float]
) -> Iterator[tuple[int, dict[str, AskedSub]]]:
    """The filters of each group, with its number, that have not all that is wanted of them, nor
    all that a night may give them.
    """
    for number, group in enumerate(target.groups):
        lacking = {
            name: sub
            for name, sub in group.filters.items()
            if (sub.wanted_hours is None or tally_s.get(name, 0.0) < 3600.0 * sub.wanted_hours)
            and (sub.maximum_hours is None or tonight_s.get(name, 0.0) < 3600.0 * sub.maximum_hours)
        }
        if lacking:
            yield number, lacking


def unevenness(asked: Mapping[str, AskedSub], tally_s: Mapping[str, float]) -> float:
    """Largest distance of a filter from its share, in cycles."""
    cycle_s = {name: sub.share * sub.exposure_s for name, sub in asked.items()}
    mean = sum(tally_s.get(name, 0.0) for name in asked) / sum(cycle_s.values())
    return max(abs(tally_s.get(name, 0.0) / one_s - mean) for name, one_s in cycle_s.items())
