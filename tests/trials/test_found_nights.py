"""What trials found, each as a short night of its own."""

from datetime import datetime
from pathlib import Path

from astropy.io import fits

from night.nights import NIGHT, SELDOM_S, demo
from nightloom.rehearsal import TROUBLES, Rehearsal, play_virtually
from nightloom.rehearsal.troubles import Coming
from nightloom.schedule.windows import darkness
from nightloom.telemetry import Event
from nightloom.telemetry.events import PhaseChanged
from nightloom_drivers.rig_settings import MountSettings
from nightloom_drivers.sent import Sent

BY_NAME = {trouble.name: trouble for trouble in TROUBLES}


def test_without_guiding_no_frame_says_where_it_was_taken(tmp_path: Path) -> None:
    """A pole that is 20′ off moves the stars by up to 20′ × 15°/h = 5.2″ a minute."""
    settings, rig = demo(
        targets={"L": 50.0},
        guide_s=SELDOM_S,
        policies={"guiding": {"unguided_s": 50.0}},
        rig={"mount": MountSettings(polar_error_arcmin=20.0).model_dump()},
    )
    (tmp_path / "frames").mkdir()
    dusk_s = darkness(settings, NIGHT).start_unix_s
    comings = (Coming(BY_NAME["guide-camera-dead"], dusk_s + 60.0),)
    rehearsal = Rehearsal(settings, rig, NIGHT, tmp_path, 7, 0.4, comings=comings, sent=Sent.STARS)
    assert play_virtually(rehearsal).violations == []
    headers = [fits.getheader(path) for path in sorted((tmp_path / "frames").rglob("*.fits"))]
    unguided = [header for header in headers if "GUIDERMS" not in header]
    assert len(unguided) > 5
    assert not any("CRVAL1" in header for header in unguided)
    assert all("CRVAL1" in header for header in headers if "GUIDERMS" in header)


def test_in_air_colder_than_the_set_point_nothing_is_waited_for(tmp_path: Path) -> None:
    """A daemon that begins in the dark opens at once, and begins with its first target at once."""
    settings, rig = demo(
        targets={"L": 50.0},
        guide_s=SELDOM_S,
        weather={"mean_temperature_c": -18.0, "dew_point_c": -30.0},
    )
    at: dict[str, float] = {}

    def note(utc: datetime, event: Event) -> None:
        if isinstance(event, PhaseChanged):
            at.setdefault(event.after, utc.timestamp())

    acquire = settings.policies.acquire
    late_s = acquire.open_before_s + acquire.cool_before_s + 60.0
    rehearsal = Rehearsal(
        settings, rig, NIGHT, tmp_path, 7, 0.3, False, late_s=late_s, sent=Sent.STARS
    )
    assert play_virtually(rehearsal, lambda _: (note,)).violations == []
    assert at["acquiring"] - at["readying"] < 90.0


def test_a_mount_that_starts_anew_behind_cloud_is_noticed(tmp_path: Path) -> None:
    """Nothing else asks it for anything then, and nobody would see it track into its pier."""
    cloud = {"begin_h_after_dusk": 0.02, "duration_h": 0.6, "depth_mag": 8.0, "contrast": 0.0}
    settings, rig = demo(targets={"L": 50.0}, guide_s=SELDOM_S, weather={"clouds": (cloud,)})
    anew_s = darkness(settings, NIGHT).start_unix_s + 800.0
    phases: list[tuple[float, str, str]] = []

    def note(utc: datetime, event: Event) -> None:
        if isinstance(event, PhaseChanged):
            phases.append((utc.timestamp(), event.before, event.after))

    comings = (Coming(BY_NAME["mount-restarts"], anew_s),)
    rehearsal = Rehearsal(
        settings, rig, NIGHT, tmp_path, 7, 0.3, False, comings=comings, sent=Sent.STARS
    )
    assert play_virtually(rehearsal, lambda _: (note,)).violations == []
    noticed_s = [at for at, *ways in phases if ways == ["holding", "readying"]]
    assert noticed_s
    assert 0.0 <= noticed_s[0] - anew_s < 90.0
