"""Rigs unlike the demo's, each for a short night, and what the simulated sky says came of it."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from night.nights import Story, demo, live
from nightloom.ledger import Verdict
from nightloom.rehearsal.observer import TakenSub
from nightloom.settings import Settings
from nightloom.telemetry import events as e
from nightloom_drivers.clock import real_monotonic_s
from nightloom_drivers.rig_settings import RigSettings

SUBS_S = dict.fromkeys("LRGB", 60.0)

GUIDE_S = 4.0
"""Guide exposures: longer than the demo's, which are most of what a night costs. A dither then
takes twice as long, which matters where subs are very short."""

SHARP = 0.05
"""A sub whose stars defocus widened by less should not be refused for it."""


@dataclass(frozen=True)
class OddRig:
    """A rig by what it has else than the demo.

    `said` are changes of the configuration and `true` of the simulated rig, by section; offsets are
    in the configuration by `offsets_off_steps` wrong, of every other filter in the other direction.
    """

    name: str
    hours: float = 2.0
    subs_s: Mapping[str, float] = field(default_factory=lambda: dict(SUBS_S))
    said: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    true: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    offsets_off_steps: int = 0
    guide_s: float = GUIDE_S
    policies: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    @property
    def settings(self) -> tuple[Settings, RigSettings]:
        """Its configuration and what it is."""
        settings, rig = demo(targets=self.subs_s, guide_s=self.guide_s, policies=self.policies)
        told = rig.model_dump()
        for section, changes in self.true.items():
            told[section] = _merged(told[section], changes)
        rig = RigSettings.model_validate(told)
        observatory = settings.observatory
        sections = {
            name: getattr(observatory, name).model_copy(update=dict(changes))
            for name, changes in self.said.items()
        }
        filters = {
            name: one.model_copy(update={"offset_steps": one.offset_steps + self._off(name)})
            for name, one in observatory.filters.items()
        }
        observatory = observatory.model_copy(update={**sections, "filters": filters})
        return replace(settings, observatory=observatory, rig=rig), rig

    def _off(self, filter_name: str) -> int:
        order = {"L": 0, "R": 1, "G": -1, "B": 1}
        return self.offsets_off_steps * order.get(filter_name, 0)


def _merged(told: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """A table with changes, which may hold tables in their turn."""
    return {
        **told,
        **{
            name: _merged(told[name], value) if isinstance(value, Mapping) else value
            for name, value in changes.items()
        },
    }


@dataclass(frozen=True)
class Outcome:
    """What a night with a rig came to; star growth by defocus is as the observer knows it."""

    rig: OddRig
    story: Story
    real_s: float

    @property
    def kept(self) -> list[TakenSub]:
        """The subs that were accepted, with what was true of them."""
        return self._with(accepted=True)

    @property
    def sharp_refused(self) -> list[TakenSub]:
        """Subs in focus and under a clear sky that were refused all the same."""
        refused = self._with(accepted=False)
        return [sub for sub in refused if sub.defocus_growth < SHARP and sub.transmission > 0.9]

    @property
    def refused(self) -> list[TakenSub]:
        """The subs that do not count."""
        return self._with(accepted=False)

    @property
    def growths(self) -> np.ndarray:
        """By what part defocus alone widened the stars of each accepted sub: (n,)."""
        return np.array([sub.defocus_growth for sub in self.kept])

    @property
    def open_over_bound(self) -> float:
        """Of the time that physics lets the shutter be open, the part that it was."""
        summary = self.story.played.summary
        return summary.open_fraction / summary.bound_fraction if summary.bound_fraction else 0.0

    @property
    def curves(self) -> int:
        return len(self.story.of(e.FocusCurve))

    @property
    def checks(self) -> int:
        return len(self.story.of(e.FocusChecked))

    def _with(self, *, accepted: bool) -> list[TakenSub]:
        verdicts = {
            round(frame.start_utc.timestamp()): frame.verdict is Verdict.ACCEPTED
            for frame in self.story.frames
        }
        return [
            sub for sub in self.story.played.subs if verdicts.get(round(sub.start_s)) is accepted
        ]


def night_with(rig: OddRig, out: Path, seed: int = 7) -> Outcome:
    """Let a short night go by with a rig."""
    began_s = real_monotonic_s()
    story = live(out, rig.settings, hours=rig.hours, seed=seed)
    return Outcome(rig, story, real_monotonic_s() - began_s)


def _sized(width_px: int, height_px: int) -> dict[str, dict[str, Any]]:
    return {"sensor": {"width_px": width_px, "height_px": height_px}}


FAST_OPTICS = {"focal_length_mm": 440.0, "aperture_mm": 200.0, "central_obstruction": 0.45}
SLOW_OPTICS = {"focal_length_mm": 2000.0, "aperture_mm": 200.0, "central_obstruction": 0.35}
MIRRORED: dict[str, dict[str, Any]] = {
    "optics": {"mirrored": True},
    "guide": {"optics": {"mirrored": True}},
}

RIGS = (
    OddRig("1 megapixel, f/5", true=_sized(1152, 864)),
    OddRig("9 megapixels", hours=1.5, true=_sized(3464, 2600)),
    OddRig("26 megapixels", hours=1.0, true=_sized(6248, 4176)),
    OddRig(
        "62 megapixels", hours=0.5, subs_s=dict.fromkeys("LRGB", 120.0), true=_sized(9576, 6388)
    ),
    OddRig(
        "f/2.2",
        said={"optics": FAST_OPTICS, "focuser": {"step_um": 1.0}},
        true={"optics": FAST_OPTICS, "focuser": {"step_um": 1.0}},
    ),
    OddRig(
        "f/10",
        hours=1.5,
        said={"optics": SLOW_OPTICS},
        true={"optics": SLOW_OPTICS, **_sized(1600, 1200)},
    ),
    OddRig("subs of 5 s", hours=1.5, subs_s=dict.fromkeys("LRGB", 5.0), guide_s=2.0),
    OddRig("subs of 600 s", hours=3.0, subs_s=dict.fromkeys("LRGB", 600.0)),
    OddRig(
        "backlash 200, 0 configured",
        said={"focuser": {"backlash_steps": 0}},
        true={"focuser": {"backlash_steps": 200}},
    ),
    OddRig(
        "backlash 700, 0 configured",
        said={"focuser": {"backlash_steps": 0}},
        true={"focuser": {"backlash_steps": 700}},
    ),
    OddRig("offsets wrong by 60 steps", offsets_off_steps=60),
    OddRig("offsets wrong by 120 steps", offsets_off_steps=120),
    OddRig(
        "offsets wrong by 60, no focus filter",
        offsets_off_steps=60,
        policies={"focus": {"filter": None}},
    ),
    OddRig(
        "offsets wrong by 60, subs without L",
        subs_s=dict.fromkeys("RGB", 60.0),
        offsets_off_steps=60,
    ),
    OddRig(
        "backlash 1500, 0 configured",
        said={"focuser": {"backlash_steps": 0}},
        true={"focuser": {"backlash_steps": 1500}},
    ),
    OddRig("binning 2", said={"camera": {"binning": 2}}, true=_sized(2048, 1536)),
    OddRig("mirrored", true=MIRRORED),
    OddRig(
        "downloads of 8 s",
        said={"costs": {"download_s": 8.0}},
        true={"sensor": {"download_s": 8.0}},
    ),
)


def named(name: str) -> OddRig:
    """One of them. Raises StopIteration when there is none of that name."""
    return next(one for one in RIGS if one.name == name)
