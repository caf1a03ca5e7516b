"""Daemons that break a promise on purpose, each by one slip, for the observer to catch.

A slip takes `put(owner, name, value)`, which puts something else in the place of an attribute.
"""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from astropy.wcs import WCS

from nightloom.clouds.monitor import CloudMonitor
from nightloom.frames.disk import FrameDisk
from nightloom.frames.pipeline import FramePipeline
from nightloom.ledger import Ledger
from nightloom.night import gap, night
from nightloom.night.context import Context
from nightloom.night.phases import Next, Phase
from nightloom.night.table import NIGHT, Work
from nightloom.pointing.centring import Pointing
from nightloom.safety import Guard
from nightloom.trials import Outcome, play_trial
from nightloom_drivers.sent import Sent

Put = Callable[[Any, str, Any], None]


async def nothing(*_: object, **__: object) -> None:
    """Is done, and is over at once."""


async def never(*_: object) -> None:
    """Is never over."""
    await asyncio.get_running_loop().create_future()


def says(value: object) -> property:
    """A property that reads so, whatever is so."""
    return property(lambda _: value)


def works(put: Put, phase: Phase, work: Work) -> None:
    """Another work in a phase."""
    put(night, "NIGHT", {**NIGHT, phase: NIGHT[phase]._replace(work=work)})


def hears_no_weather(put: Put) -> None:
    put(Guard, "unsafe_reasons", lambda _: [])


def acquires_an_hour_late(put: Put) -> None:
    async def late(context: Context) -> Next[Phase]:
        await asyncio.sleep(3600.0)
        return await NIGHT[Phase.ACQUIRING].work(context)

    works(put, Phase.ACQUIRING, late)


def knows_no_limit_of_the_pier(put: Put) -> None:
    put(Guard, "until_limit", never)
    put(Guard, "left_s", lambda _: 1e6)


def tracks_through_a_pause(put: Put) -> None:
    async def pause(context: Context) -> Next[Phase]:
        await context.guiding.stop("a pause")
        await context.desk.until_resumed()
        return Next(Phase.READYING, "a person said to go on")

    works(put, Phase.PAUSING, pause)


def slews_under_a_closed_roof(put: Put) -> None:
    put(Guard, "open_roof", nothing)
    put(Guard, "is_open", says(True))
    put(Guard, "_closed", lambda _: "")


def leaves_the_roof_open(put: Put) -> None:
    put(Guard, "close_roof", nothing)
    put(Guard, "is_safe", says(True))


def never_comes_to_an_end(put: Put) -> None:
    async def on_and_on(_: Context) -> Next[Phase]:
        await never()
        return Next(Phase.ASLEEP, "never")

    works(put, Phase.RETIRING, on_and_on)


def writes_no_frames(put: Put) -> None:
    async def write(*_: object) -> str:
        return ""

    put(FrameDisk, "write", write)
    put(FrameDisk, "amend", lambda *_: _told())


async def _told() -> tuple[str, str]:
    return "0" * 64, ""


def points_beside_the_target(put: Put) -> None:
    centre = Pointing.centre

    async def beside(pointing: Pointing, target: Any) -> None:
        off = target.model_copy(update={"dec_deg": target.dec_deg * 0.999 + 0.1})
        await centre(pointing, off)

    put(Pointing, "centre", beside)


def says_where_it_was_before_the_dither(put: Put) -> None:
    def wcs(pointing: Pointing) -> WCS | None:
        if pointing.solution is None:
            return None
        moved = pointing.solution.wcs.deepcopy()
        moved.wcs.crpix = moved.wcs.crpix - [30.0, 0.0]
        return moved

    put(Pointing, "wcs", wcs)


def leaves_acts_unfinished(put: Put) -> None:
    put(Ledger, "finish", lambda *_, **__: None)


def keeps_every_frame(put: Put) -> None:
    judge = FramePipeline._judge

    def kept(pipeline: FramePipeline, *given: Any) -> Any:
        return replace(judge(pipeline, *given), reason="")

    put(FramePipeline, "_judge", kept)
    put(CloudMonitor, "until_clouded", never)


def forgets_what_it_gathered(put: Put) -> None:
    put(Ledger, "accepted_s", lambda *_, **__: {})


def never_dithers(put: Put) -> None:
    put(gap, "dither", nothing)


@dataclass(frozen=True)
class Broken:
    """A daemon with a slip, and the rule of the observer that is to catch it."""

    rule: str
    slip: Callable[[Put], None]

    def caught_at(self, first: int, nights: int) -> tuple[int, Outcome] | None:
        """Of these many nights the number of the first that catches it, from 1; None for none."""
        for number in range(1, nights + 1):
            outcome = play_trial(first + number - 1, Sent.STARS)
            if any(f" {self.rule}: " in violation for violation in outcome.violations):
                return number, outcome
        return None


BROKEN = (
    Broken("closed_in_time", hears_no_weather),
    Broken("open_for_something", acquires_an_hour_late),
    Broken("pier", knows_no_limit_of_the_pier),
    Broken("watched", tracks_through_a_pause),
    Broken("slew_in_the_open", slews_under_a_closed_roof),
    Broken("ends_safe", leaves_the_roof_open),
    Broken("ended", never_comes_to_an_end),
    Broken("frames_kept", writes_no_frames),
    Broken("pointed", points_beside_the_target),
    Broken("wcs_true", says_where_it_was_before_the_dither),
    Broken("nothing_half_done", leaves_acts_unfinished),
    Broken("clear", keeps_every_frame),
    Broken("not_trailed", keeps_every_frame),
    Broken("in_focus", keeps_every_frame),
    Broken("even", forgets_what_it_gathered),
    Broken("dithered", never_dithers),
)
"""One for each rule that nights by chance can break: none of them comes near the Sun, opens and
closes eight times for nothing, counts depth, or has mosaics, hours, moonlight or limits asked for;
and the simulated roof does not move by itself over a mount that is not parked.
"""

OUT_OF_REACH = {
    "sun", "one_round", "even_in_depth", "even_panels", "asked_sky", "in_its_hours",
    "nightly_limit", "lights_first", "panel_dark", "darks_dark", "flats_on_level", "library_kept",
    "roof_over_parked",
}  # fmt: skip
