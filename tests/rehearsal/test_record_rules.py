"""What the observer says of frames that are lost, wrong, spoilt, uneven or not dithered."""

import hashlib
import shutil
import sqlite3
from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from astropy.io import fits

from night.nights import NIGHT, demo
from nightloom.frames import HeaderFacts, frame_header, write_frame
from nightloom.ledger import FILE_NAME, Frame, Ledger, Verdict
from nightloom.rehearsal.observer import Audit, TakenSub, audit
from nightloom.rehearsal.observer.depth import Depth
from nightloom.settings import AskedSub, Group, Settings, panels_of
from nightloom.settings.mosaic import Mosaic, PanelPlace
from nightloom_drivers.frame_kind import FrameKind
from rehearsal.scenes import STEADY, Seen, Stage, observed

SLOTS = {"L": 1, "R": 2, "G": 3, "B": 4}
SUB_S = 120.0
ZONES = {"utc": UTC, "local": ZoneInfo("Europe/Zurich")}


def frame_of(sub: TakenSub, number: int, path: str = "", sha256: str = "", **told: object) -> Frame:
    """A faithful entry of a sub, with changes."""
    start = datetime.fromtimestamp(sub.start_s, UTC)
    faithful = Frame(
        uid=f"{NIGHT}-{number:04d}",
        night=str(NIGHT),
        target=sub.target,
        filter=sub.filter,
        exposure_s=sub.exposure_s,
        start_utc=start,
        path=path,
        sha256=sha256,
        verdict=Verdict.ACCEPTED,
        reason="",
        pointing=number,
    )
    return replace(faithful, **told)  # type: ignore[arg-type]


async def prepare(stage: Stage) -> None:
    await stage.open_roof()
    await stage.unpark()
    await stage.point()


async def finish(stage: Stage) -> None:
    await stage.park()
    await stage.close_roof()


async def one_cycle(stage: Stage) -> None:
    """L R L G L B with a dither of 10″ before each L after the first: 0.5 × 15″/s for 1.3 s."""
    await prepare(stage)
    for number, name in enumerate("LRLGLB"):
        await stage.choose(SLOTS[name])
        if name == "L" and number:
            await stage.move_by(1300.0)
        await stage.expose(SUB_S)
    await stage.expose(4.0)
    await finish(stage)


@dataclass(frozen=True)
class Night:
    """Subs that were seen, with a ledger and files that are true."""

    settings: Settings
    subs: list[TakenSub]
    out: Path

    @property
    def ledger(self) -> Path:
        return self.out / FILE_NAME

    @property
    def frames(self) -> Path:
        return self.out / "frames"

    def audit(self) -> Audit:
        return audit(self.settings, NIGHT, self.subs, self.ledger, self.frames)

    def found(self, rule: str) -> list[str]:
        """What an audit finds, all of it against one rule."""
        findings = self.audit().findings
        assert {finding.rule.name for finding in findings} == {rule}
        return [finding.seen for finding in findings]

    def sql(self, statement: str) -> None:
        with closing(sqlite3.connect(self.ledger)) as connection, connection:
            connection.execute(statement)

    def file(self, number: int) -> Path:
        return self.frames / f"{number}.fits"


@pytest.fixture(scope="module")
def cycle() -> Seen:
    return observed(one_cycle)


@pytest.fixture(scope="module")
def kept(cycle: Seen, tmp_path_factory: pytest.TempPathFactory) -> Night:
    """The cycle's subs, written and entered as they should be."""
    out = tmp_path_factory.mktemp("kept")
    settings, _ = demo(rig=STEADY)
    with Ledger(out / FILE_NAME) as ledger:
        for number, (sub, data) in enumerate(zip(cycle.subs, cycle.frames, strict=False), start=1):
            with fits.open(BytesIO(data)) as opened:
                pixels = np.asarray(opened[0].data, np.uint16)
            facts = HeaderFacts(
                kind=FrameKind.LIGHT,
                started_at=datetime.fromtimestamp(sub.start_s, UTC),
                exposure_s=sub.exposure_s,
                target=sub.target,
                filter_name=sub.filter,
            )
            name = f"{number}.fits"
            path = out / "frames" / name
            write_frame(path, pixels, frame_header(facts))
            digest = hashlib.sha256(path.read_bytes()).hexdigest()
            ledger.add_frame(frame_of(sub, number, name, digest))
    return Night(settings, cycle.subs, out)


@pytest.fixture
def night(kept: Night, tmp_path: Path) -> Night:
    """The same, in a folder to spoil."""
    shutil.copytree(kept.out, tmp_path / "night")
    return replace(kept, out=tmp_path / "night")


def test_subs_are_told_from_other_frames(cycle: Seen) -> None:
    """Seven frames left the camera; the last one is as short as a focus frame."""
    assert len(cycle.frames) == 7
    assert [sub.filter for sub in cycle.subs] == list("LRLGLB")
    assert {sub.target for sub in cycle.subs} == {"NGC 891"}
    assert all(sub.certain for sub in cycle.subs)
    assert cycle.findings == []


def test_true_records_have_no_finding(night: Night) -> None:
    result = night.audit()
    assert result.findings == []
    # After L R L G L five of the six subs of a cycle are taken and none of B: it lacks 5/6.
    assert result.unevenness == pytest.approx(5 / 6)


SPOILT: dict[str, Callable[[Night], object]] = {
    "is not in the ledger": lambda n: n.sql("DELETE FROM frames WHERE uid LIKE '%3'"),
    "is in the ledger 2 times": lambda n: n.sql(
        "INSERT INTO frames SELECT 'twice', night, target, filter, exposure_s, start_utc, path,"
        " sha256, 'rejected', 'twice', pointing, NULL, NULL, NULL, NULL, NULL, kind, '', 0,"
        " NULL, NULL, NULL, NULL, NULL, '', 0, NULL, NULL"
        " FROM frames WHERE uid LIKE '%3'"
    ),
    "no such sub left the camera": lambda n: n.sql(
        "INSERT INTO frames SELECT 'made up', night, target, filter, exposure_s,"
        " '2026-11-10T23:00:00+00:00', path, sha256, 'rejected', 'made up', pointing,"
        " NULL, NULL, NULL, NULL, NULL, kind, '', 0,"
        " NULL, NULL, NULL, NULL, NULL, '', 0, NULL, NULL FROM frames WHERE uid LIKE '%3'"
    ),
    "is not on disk": lambda n: n.file(3).unlink(),
    "is not the file of the ledger's hash": lambda n: n.sql(
        "UPDATE frames SET sha256 = 'other' WHERE uid LIKE '%3'"
    ),
    "is on disk and not in the ledger": lambda n: (n.frames / ".4.fits.partial").touch(),
    "the wheel held L": lambda n: n.sql(
        "UPDATE frames SET filter = 'G', verdict = 'rejected', reason = 'x' WHERE uid LIKE '%5'"
    ),
    "the telescope was at NGC 891": lambda n: n.sql(
        "UPDATE frames SET target = 'M81' WHERE uid LIKE '%6'"
    ),
    "it was 120 s": lambda n: n.sql("UPDATE frames SET exposure_s = 119 WHERE uid LIKE '%6'"),
}


@pytest.mark.parametrize("seen", SPOILT)
def test_spoilt_records_are_found(night: Night, seen: str) -> None:
    SPOILT[seen](night)
    assert any(seen in one for one in night.found("frames_kept"))


def test_another_frames_pixels_and_header_are_found(night: Night) -> None:
    """Two files change places, and the ledger's hashes with them."""
    a, b = night.file(2).read_bytes(), night.file(4).read_bytes()
    night.file(2).write_bytes(b)
    night.file(4).write_bytes(a)
    night.sql(
        "UPDATE frames SET sha256 = (SELECT sha256 FROM frames AS other"
        " WHERE other.pointing = 6 - frames.pointing) WHERE pointing IN (2, 4)"
    )
    found = night.found("frames_kept")
    assert sum("holds other pixels" in one for one in found) == 2
    assert sum("FILTER is" in one and "DATE-OBS is" in one for one in found) == 2


def test_a_file_cut_short_is_found(night: Night) -> None:
    night.file(1).write_bytes(night.file(1).read_bytes()[:100_000])
    assert any("cannot be read: it ends after" in one for one in night.found("frames_kept"))


def test_an_intent_without_an_outcome_is_found(night: Night) -> None:
    with Ledger(night.ledger) as ledger:
        ledger.begin("sub", {"uid": "x"}, datetime(2026, 11, 10, 23, tzinfo=UTC))
    (seen,) = night.found("nothing_half_done")
    assert "sub" in seen


def test_a_telescope_beside_its_target_is_found(night: Night) -> None:
    """NGC 891 is said to be 6′ further north; 30″, 12 px of 1.46″ and 60″ are borne."""
    first = night.settings.targets.targets[0]
    moved = first.model_copy(update={"dec_deg": first.dec_deg + 0.1})
    targets = night.settings.targets.model_copy(update={"targets": (moved,)})
    found = replace(night, settings=replace(night.settings, targets=targets)).found("pointed")
    assert len(found) == 6
    assert all("″ from NGC 891, 108″ are allowed" in one for one in found)


def with_header(night: Night, away_arcsec: float) -> None:
    """Give the first file coordinates that are off by so much."""
    data, sub = night.file(1).read_bytes(), night.subs[0]
    with fits.open(BytesIO(data)) as opened:
        cards, pixels = opened[0].header, np.asarray(opened[0].data, np.uint16)
    scale_deg = 1.463 / 3600
    for key, value in {
        "CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRPIX1": 320.5, "CRPIX2": 240.5,
        "CRVAL1": sub.ra_deg, "CRVAL2": sub.dec_deg + away_arcsec / 3600,
        "CDELT1": -scale_deg, "CDELT2": scale_deg,
    }.items():  # fmt: skip
        cards[key] = value
    night.file(1).unlink()
    write_frame(night.file(1), pixels, cards)
    digest = hashlib.sha256(night.file(1).read_bytes()).hexdigest()
    night.sql(f"UPDATE frames SET sha256 = '{digest}' WHERE uid LIKE '%1'")


def test_coordinates_in_a_header_are_held_against_the_truth(night: Night) -> None:
    with_header(night, 0.0)
    assert night.audit().findings == []
    with_header(night, 20.0)
    (seen,) = night.found("wcs_true")
    assert "20″ from where it was taken" in seen


# What a frame is worth ------------------------------------------------------------------------


def spoilt_sub(scene: Callable[[Stage], object], **weather: object) -> TakenSub:
    """The one sub of a scene in which something goes wrong."""

    async def play(stage: Stage) -> None:
        await prepare(stage)
        await scene(stage)  # type: ignore[misc]
        await finish(stage)

    (sub,) = observed(play, demo(rig=STEADY, weather=weather)).subs
    return sub


def accepted(tmp_path: Path, *subs: TakenSub, dither: Mapping[str, float] = {}) -> Audit:
    """What is found where all of these are accepted, in this order."""
    settings, _ = demo(rig=STEADY, policies={"dither": dither})
    with Ledger(tmp_path / FILE_NAME) as ledger:
        for number, sub in enumerate(subs, start=1):
            ledger.add_frame(frame_of(sub, number))
    return audit(settings, NIGHT, subs, tmp_path / FILE_NAME, None)


async def just_expose(stage: Stage) -> None:
    await stage.expose(SUB_S)


async def knock_about(stage: Stage) -> None:
    await stage.ask("Camera", "CCD_EXPOSURE", 60.0, CCD_EXPOSURE_VALUE=SUB_S)
    await stage.move_by(1000.0)
    await stage.move_by(1000.0)
    await stage.ask("Mount", "TELESCOPE_TRACK_STATE", 60.0, TRACK_ON=True)


async def move_the_focuser(stage: Stage) -> None:
    wanted = {"FOCUS_ABSOLUTE_POSITION": 10_060.0}
    await stage.ask("Focuser", "ABS_FOCUS_POSITION", 5.0, **wanted)
    await stage.expose(SUB_S)


def test_cloud_in_an_accepted_frame_is_found(tmp_path: Path) -> None:
    """A layer of 1 mag lets 10^-0.4 = 40 % through at the zenith."""
    cloud = {"begin_h_after_dusk": 0.0, "duration_h": 9.0, "depth_mag": 1.0, "contrast": 0.0}
    sub = spoilt_sub(just_expose, clouds=(cloud,))
    assert 0.3 < sub.transmission < 0.40
    (finding,) = accepted(tmp_path, sub).findings
    assert finding.rule.name == "clear"


def test_trailing_in_an_accepted_frame_is_found(tmp_path: Path) -> None:
    """Two pulses of a second at half the sidereal rate are 15″, half-way: 7.5″ rms."""
    sub = spoilt_sub(knock_about)
    assert sub.wander_arcsec == pytest.approx(7.5, abs=0.5)
    (finding,) = accepted(tmp_path, sub).findings
    assert finding.rule.name == "not_trailed"


def test_defocus_in_an_accepted_frame_is_found(tmp_path: Path) -> None:
    """60 steps of 2 µm at f/5 are a disc of 24 µm, 9.34″ across; half its light is within 3.30″.

    A pixel of 1.46″ has a standard deviation of 1.46″ / √12, of whose Gaussian half is within 1.18.
    """
    sub = spoilt_sub(move_the_focuser)
    steady_arcsec = np.hypot(2.8 / 2, 1.18 * 1.46 / np.sqrt(12))
    assert sub.defocus_growth == pytest.approx(
        np.hypot(steady_arcsec, 3.3) / steady_arcsec - 1, rel=0.1
    )
    (finding,) = accepted(tmp_path, sub).findings
    assert finding.rule.name == "in_focus"


def test_what_was_rejected_may_be_as_bad_as_it_is(tmp_path: Path) -> None:
    sub = spoilt_sub(move_the_focuser)
    settings, _ = demo(rig=STEADY)
    with Ledger(tmp_path / FILE_NAME) as ledger:
        ledger.add_frame(frame_of(sub, 1, verdict=Verdict.REJECTED, reason="out of focus"))
    assert audit(settings, NIGHT, [sub], tmp_path / FILE_NAME, None).findings == []


# Which subs ------------------------------------------------------------------------------------


def apart(cycle: Seen, names: str, step_px: float = 5.0) -> list[TakenSub]:
    """Subs in these filters, one after another, each a step away from the one before it."""
    first = cycle.subs[0]
    return [
        replace(
            first,
            filter=name,
            start_s=first.start_s + 130.0 * number,
            dec_deg=first.dec_deg + number * step_px * 1.463 / 3600.0,
        )
        for number, name in enumerate(names)
    ]


def test_too_much_of_one_filter_is_uneven(cycle: Seen, tmp_path: Path) -> None:
    """A cycle has three L: six of them without the others are 2 cycles where the mean is 1."""
    result = accepted(tmp_path, *apart(cycle, "LLLLLLL"))
    assert result.unevenness == pytest.approx(7 / 3 - 7 / 6)
    (finding,) = result.findings
    assert finding.rule.name == "even"
    assert "uneven by 1.17 cycles" in finding.seen


def test_a_tally_that_was_uneven_before_the_night_is_not_its_doing(
    cycle: Seen, tmp_path: Path
) -> None:
    settings, _ = demo(rig=STEADY)
    subs = apart(cycle, "RGB")
    with Ledger(tmp_path / FILE_NAME) as ledger:
        for number in range(12):
            at = datetime(2026, 11, 8, 20, number, tzinfo=UTC)
            earlier = frame_of(subs[0], 100 + number, filter="L", start_utc=at, night="2026-11-08")
            ledger.add_frame(earlier)
        for number, sub in enumerate(subs, start=1):
            ledger.add_frame(frame_of(sub, number))
    result = audit(settings, NIGHT, subs, tmp_path / FILE_NAME, None)
    assert result.findings == []
    assert result.unevenness == pytest.approx(14 / 6), "when R and G are made up, B is not yet"


def test_two_subs_of_a_filter_at_one_place_are_not_dithered(cycle: Seen, tmp_path: Path) -> None:
    """The demo's shortest step is 3 px, of which one is borne."""
    result = accepted(tmp_path, *apart(cycle, "LL", step_px=1.5))
    (finding,) = result.findings
    assert finding.rule.name == "dithered"
    assert "is 1.5 px from the one before it" in finding.seen


@pytest.mark.parametrize(
    ("said", "crowded"),
    [({}, 2), ({"subs_per_pointing": 2}, 1), ({"exposed_s_per_pointing": 3 * SUB_S}, 0)],
)
def test_a_pointing_takes_no_more_than_it_has_room_for(
    cycle: Seen, tmp_path: Path, said: dict[str, float], crowded: int
) -> None:
    """Three subs of a filter at one place: there is room for one, two or all of them."""
    findings = accepted(tmp_path, *apart(cycle, "LLL", step_px=0.0), dither=said).findings
    assert [finding.rule.name for finding in findings] == ["dithered"] * crowded
    moved = accepted(tmp_path / "moved", *apart(cycle, "LLL"), dither=said)
    assert moved.findings == []


def test_other_filters_and_slews_ask_for_no_dither(cycle: Seen, tmp_path: Path) -> None:
    first, second = apart(cycle, "LL", step_px=0.0)
    (other,) = [replace(second, filter="R")]
    assert accepted(tmp_path / "a", first, other).findings == []
    assert accepted(tmp_path / "b", first, replace(second, slews=first.slews + 1)).findings == []


@pytest.mark.parametrize(("after", "uneven"), [("", False), ("0007", True)])
def test_a_frame_that_was_taken_back_counts_until_then(
    cycle: Seen, tmp_path: Path, after: str, uneven: bool
) -> None:
    """Rejected at once four L among the others are nothing; accepted first, they were too many."""
    settings, _ = demo(rig=STEADY)
    subs = apart(cycle, "LLLLLLL")
    with Ledger(tmp_path / FILE_NAME) as ledger:
        for number, sub in enumerate(subs, start=1):
            entry = frame_of(sub, number)
            if number > 3:
                entry = replace(
                    entry,
                    verdict=Verdict.REJECTED,
                    reason="too dim",
                    taken_back_after=after and f"{entry.uid[:-4]}{after}",
                )
            ledger.add_frame(entry)
    result = audit(settings, NIGHT, subs, tmp_path / FILE_NAME, None)
    assert bool([one for one in result.findings if one.rule.name == "even"]) is uneven


def in_depth(cycle: Seen, tmp_path: Path, starlight_of_r: float, names: str) -> Audit:
    """What is found where the target counts depth, and of R so much of the starlight arrived from
    the tenth sub on; each cycle holds one of R and one of G.
    """
    settings, _ = demo(targets={"R": SUB_S, "G": SUB_S}, rig=STEADY)
    target = settings.targets.targets[0].model_copy(update={"count": "depth"})
    targets = settings.targets.model_copy(update={"targets": (target,)})
    subs = [
        replace(
            sub,
            dec_deg=cycle.subs[0].dec_deg + number % 7 * 5.0 * 1.463 / 3600.0,
            depth=Depth(starlight_of_r if sub.filter == "R" and number >= 10 else 1.0),
        )
        for number, sub in enumerate(apart(cycle, names))
    ]
    with Ledger(tmp_path / FILE_NAME) as ledger:
        for number, sub in enumerate(subs, start=1):
            ledger.add_frame(frame_of(sub, number))
    return audit(replace(settings, targets=targets), NIGHT, subs, tmp_path / FILE_NAME, None)


def test_seconds_that_are_even_may_be_uneven_in_depth(cycle: Seen, tmp_path: Path) -> None:
    """Thirty of each, of which twenty-five of R are worth a half: 17.5 cycles against 30."""
    result = in_depth(cycle, tmp_path, 0.5**0.5, "RG" * 30)
    assert {finding.rule.name for finding in result.findings} == {"even_in_depth"}
    assert result.unevenness == pytest.approx((30.0 - 17.5) / 2)


def test_depth_that_is_made_up_is_even(cycle: Seen, tmp_path: Path) -> None:
    """Two of R, worth a half each, for one of G; and what is clear needs none."""
    assert in_depth(cycle, tmp_path, 0.5**0.5, "RG" * 5 + "RRG" * 10).findings == []


def test_a_clear_night_is_even_in_depth(cycle: Seen, tmp_path: Path) -> None:
    assert in_depth(cycle, tmp_path, 1.0, "RG" * 15).findings == []


@pytest.mark.parametrize(
    ("name", "skies", "sun_deg", "rules"),
    [
        ("R", {"dark"}, -30.0, set()),
        ("R", {"dark", "moonlit"}, -30.0, set()),
        ("R", {"moonlit"}, -30.0, {"asked_sky"}),
        ("L", {"twilit"}, -14.0, set()),
        ("L", {"twilit"}, -11.0, {"asked_sky"}),
    ],
)
def test_a_sub_begins_under_a_sky_that_its_filter_is_asked_for(
    cycle: Seen, tmp_path: Path, name: str, skies: set[str], sun_deg: float, rules: set[str]
) -> None:
    (sub,) = apart(cycle, name)
    under = replace(sub, skies=frozenset(skies), sun_altitude_deg=sun_deg)
    assert {one.rule.name for one in grouped(tmp_path, under).findings} == rules


def test_what_another_group_took_is_to_be_made_up(cycle: Seen, tmp_path: Path) -> None:
    """Eight L under the Moon, and R in the dark, are as asked; eight L in the dark were not."""
    subs = apart(cycle, "LLLLLLLLRRR")
    dark = [replace(one, skies=frozenset({"dark"})) for one in subs]
    moonlit = [replace(one, skies=frozenset({"moonlit"})) for one in subs[:8]]
    assert grouped(tmp_path / "a", *moonlit, *dark[8:]).findings == []
    found = grouped(tmp_path / "b", *dark).findings
    assert {one.rule.name for one in found} == {"even"}


@pytest.mark.parametrize(
    ("said", "off_s"),
    [
        ({"from_utc": -1.0}, 0.0),
        ({"from_utc": 60.0}, 60.0),
        ({"from_local": 90.0}, 90.0),
        ({"until_utc": SUB_S + 1.0}, 0.0),
        ({"until_local": SUB_S - 30.0}, 30.0),
        ({"from_utc": -60.0, "until_local": 0.0}, SUB_S),
    ],
)
def test_a_sub_is_exposed_within_the_hours_of_its_target(
    cycle: Seen, tmp_path: Path, said: dict[str, float], off_s: float
) -> None:
    """Times are told by the second the sub begins in; clocks in Zurich are an hour ahead."""
    (sub,) = apart(cycle, "L")
    hours = {
        key: f"{datetime.fromtimestamp(sub.start_s + s, ZONES[key.split('_')[1]]):%H:%M:%S}"
        for key, s in said.items()
    }
    findings = with_target(tmp_path, hours, sub).findings
    if not off_s:
        assert findings == []
        return
    (finding,) = findings
    assert finding.rule.name == "in_its_hours"
    assert float(finding.seen.split()[4]) == pytest.approx(off_s, abs=1.0)


@pytest.mark.parametrize(
    ("limits", "found"),
    [
        ({"maximum_hours": 6 * SUB_S / 3600}, 0),
        ({"maximum_hours": 5.5 * SUB_S / 3600}, 0),
        ({"maximum_hours": 4 * SUB_S / 3600}, 2),
        ({"L": 2 * SUB_S / 3600}, 1),
    ],
)
def test_a_night_gives_no_more_than_its_limits(
    cycle: Seen, tmp_path: Path, limits: dict[str, float], found: int
) -> None:
    """L R L G L B: none is accepted once there is enough; the last may come in beside the limit."""
    settings, _ = demo(rig=STEADY)
    first = settings.targets.targets[0]
    own = {
        name: sub.model_copy(update={"maximum_hours": limits.get(name)})
        for name, sub in first.filters.items()
    }
    whole = {key: value for key, value in limits.items() if key not in own}
    findings = with_target(tmp_path, {"filters": own, **whole}, *apart(cycle, "LRLGLB")).findings
    assert [one.rule.name for one in findings] == ["nightly_limit"] * found


@pytest.mark.parametrize(
    ("order", "wanted_hours", "ahead"),
    [
        ("1111", None, False),
        ("111112", None, True),
        ("11112222", None, False),
        ("111111", 0.2, False),
    ],
)
def test_no_panel_gets_further_ahead_than_a_visit_and_a_cycle(
    cycle: Seen, tmp_path: Path, order: str, wanted_hours: float | None, ahead: bool
) -> None:
    """A visit is three cycles of one L; the second panel wants nothing where it has all."""
    settings, _ = demo(rig=STEADY)
    asked = AskedSub(exposure_s=SUB_S, wanted_hours=wanted_hours)
    first = settings.targets.targets[0]
    middle = {"ra_deg": first.ra_deg, "dec_deg": first.dec_deg}
    mosaic = Mosaic(visit_s=3 * SUB_S, places=(PanelPlace(**middle), PanelPlace(**middle)))
    target = first.model_copy(update={"filters": {"L": asked}, "mosaic": mosaic})
    panels = panels_of(target, settings.observatory)
    targets = settings.targets.model_copy(update={"targets": panels})
    subs = [
        replace(sub, target=f"{first.name} panel {number}")
        for sub, number in zip(apart(cycle, "L" * len(order)), order, strict=True)
    ]
    with Ledger(tmp_path / FILE_NAME) as ledger:
        for number in range(6) if wanted_hours else ():
            at = datetime(2026, 11, 8, 20, number, tzinfo=UTC)
            old = replace(subs[0], target=f"{first.name} panel 2")
            ledger.add_frame(frame_of(old, 100 + number, start_utc=at, night="2026-11-08"))
        for number, sub in enumerate(subs, start=1):
            ledger.add_frame(frame_of(sub, number))
    findings = audit(
        replace(settings, targets=targets), NIGHT, subs, tmp_path / FILE_NAME, None
    ).findings
    assert {one.rule.name for one in findings} == ({"even_panels"} if ahead else set())


def with_target(out: Path, said: Mapping[str, object], *subs: TakenSub) -> Audit:
    """What is found where all of these are accepted, of a target that says this."""
    settings, _ = demo(rig=STEADY)
    target = settings.targets.targets[0].model_copy(update=dict(said))
    asked = settings.targets.model_copy(update={"targets": (target,)})
    out.mkdir(exist_ok=True)
    with Ledger(out / FILE_NAME) as ledger:
        for number, sub in enumerate(subs, start=1):
            ledger.add_frame(frame_of(sub, number))
    return audit(replace(settings, targets=asked), NIGHT, subs, out / FILE_NAME, None)


def grouped(out: Path, *subs: TakenSub) -> Audit:
    """What is found where L is asked for under the Moon and in twilight, and in the dark with R."""
    each = AskedSub(exposure_s=SUB_S)
    groups = (
        Group(sky=("twilit", "moonlit"), sun_altitude_deg=-12.0, filters={"L": each}),
        Group(sky=("dark",), filters={"L": each, "R": each}),
    )
    return with_target(out, {"filters": {}, "own_groups": groups}, *subs)
